"""The contract is said once; everything else is derived from it."""

import polars as pl

from pipeline.core import contract


def test_the_twelve_faults_and_the_codes() -> None:
    assert len(contract.FAULTS) == len(set(contract.FAULTS)) == 12
    assert contract.FINDINGS[-2:] == (contract.SOUND, contract.OTHER)
    assert contract.SOUND not in contract.FAULTS
    assert contract.SERVICES == (
        "120/240", "120/208", "single", "230", "230/400", "120/208 three-phase"
    )  # fmt: skip
    assert (contract.SERVICE_LINES["single"], contract.SERVICE_LINES["230/400"]) == (1, 3)


def test_every_column_says_what_it_means() -> None:
    for table, schema in contract.TABLES.items():
        for name, column in schema.columns().items():
            assert column.description, f"{table}.{name}"
            assert "unit" in contract.meta(column), f"{table}.{name}"


def test_a_unit_suffix_is_the_unit() -> None:
    for schema in contract.TABLES.values():
        for name, column in schema.columns().items():
            suffix = name.rsplit("_", 1)[-1]
            if suffix in ("w", "v", "wh", "var", "kw"):
                assert str(contract.meta(column)["unit"]).lower() == suffix


def test_required_columns() -> None:
    assert contract.required("intervals") == ("site_id", "interval_start", "l1_w", "l2_w", "pv_w")
    assert contract.required("intervals", are_all_single=True) == (
        "site_id",
        "interval_start",
        "l1_w",
        "pv_w",
    )
    assert contract.required("sites") == ("site_id",)
    assert contract.required("visits") == ("visit_id", "site_id", "visited_on")


def test_the_sqls_ranges_are_the_schemas_and_keep_a_dead_volt_channel() -> None:
    ranges = contract.interval_ranges()
    assert (ranges["l1_v_min"], ranges["l1_v_max"]) == (0.0, 400.0)
    assert ranges["import_wh_min"] == 0.0
    assert not any(name.startswith("l1_w") for name in ranges)


def test_the_schemas_refuse_what_the_contract_refuses() -> None:
    row = {name: [None] for name in contract.Visit.column_names()}
    visit = pl.DataFrame(
        row | {"visit_id": ["1"], "site_id": ["a"], "visited_on": [None], "found": ["reversd"]},
        schema=pl.Schema(contract.Visit),
    )
    _, failure = contract.Visit.filter(visit)
    assert failure.counts() == {"visited_on|nullability": 1, "found|check__code": 1}


def test_rejects_are_typed_even_when_there_are_none() -> None:
    assert contract.rejects().schema == pl.Schema(contract.Reject)
    told = contract.rejects([("x.csv", None, "the file is empty", None)])
    assert told.row(0) == ("x.csv", None, "the file is empty", None)
