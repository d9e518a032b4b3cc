"""Registers come back typed with every contract column; a bad row is a reject with file, row and reason."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from lakes import CREWS, SITES, VISITS, build_lake, put, rows

from pipeline.core import contract
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import Registers, read_registers

AS_OF = date(2025, 6, 30)


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    put(root, "1.parquet", rows("a"))
    return root


def read(lake: Path) -> Registers:
    return read_registers(open_lake(lake), AS_OF)


def told(registers: Registers) -> list[tuple[str, int, str]]:
    return registers.rejects.select("source_file", "source_row", "reason").rows()


def test_every_contract_column_is_there_typed_and_sorted(lake: Path) -> None:
    lines = SITES.splitlines(keepends=True)
    (lake / "sites.csv").write_text(lines[0] + lines[2] + lines[1])
    registers = read(lake)
    for table in ("sites", "crews", "visits", "trainings"):
        kinds = pl.Schema(contract.TABLES[table])
        assert getattr(registers, table).schema == {
            name: kinds[name] for name in contract.shared_columns(table)
        }
    assert registers.sites["site_id"].to_list() == ["a", "b"]
    first = registers.sites.row(0, named=True)
    assert (first["ct_sees_pv"], first["pv_kw"], first["commissioned_on"]) == (True, 7.6, date(2024, 1, 1))
    assert (first["has_battery"], first["ct_location"]) == (None, None)
    assert registers.rejects.height == 0
    private = registers.contacts.drop("site_id").columns
    empty = [pl.lit(None, dtype=pl.String).alias(name) for name in private]
    contract.Site.validate(registers.sites.with_columns(empty))


def test_everything_but_the_home_may_be_left_out(lake: Path) -> None:
    (lake / "sites.csv").write_text("site_id\nx\n")
    assert read(lake).sites.drop("site_id").null_count().sum_horizontal().item() == 19


@pytest.mark.parametrize(
    ("text", "flag"),
    [("true", True), ("Yes", True), ("1", True), ("FALSE", False), ("no", False), ("0", False), ("", None)],
)
def test_flags_in_the_words_people_use(lake: Path, text: str, flag: bool | None) -> None:
    (lake / "sites.csv").write_text(f"site_id,has_ev\na,{text}\n")
    assert read(lake).sites["has_ev"].to_list() == [flag]


@pytest.mark.parametrize(
    ("column", "text", "reason"),
    [
        ("pv_kw", "7kW", "pv_kw: '7kW' is not a number"),
        ("pv_kw", "-1", "pv_kw: -1 is outside 0 to 10,000"),
        ("latitude", "nan", "latitude: nan is outside -90 to 90"),
        ("commissioned_on", "01/02/2024", "commissioned_on: '01/02/2024' is not a date"),
        ("commissioned_on", "2024-02-30", "commissioned_on: '2024-02-30' is not a date"),
        ("ct_sees_pv", "maybe", "ct_sees_pv: 'maybe' is not a true/false"),
        (
            "timezone",
            "America/Dever",
            "timezone: 'America/Dever' is not an IANA time zone; did you mean 'America/Denver'?",
        ),
        ("service", "240", "service: '240' is not known; did you mean '120/240'?"),
    ],
)
def test_a_bad_cell_rejects_its_home_with_a_hint(lake: Path, column: str, text: str, reason: str) -> None:
    (lake / "sites.csv").write_text(f"site_id,{column}\ngood,\nbad,{text}\n")
    registers = read(lake)
    assert registers.sites["site_id"].to_list() == ["good"]
    assert told(registers) == [("sites.csv", 2, reason)]
    assert '"site_id":"bad"' in registers.rejects["row"][0]


def test_a_home_listed_twice_keeps_its_first_row(lake: Path) -> None:
    (lake / "sites.csv").write_text("site_id,pv_kw\na,5\na,5.0\na,6\n,7\n")
    registers = read(lake)
    assert registers.sites.select("site_id", "pv_kw").rows() == [("a", 5.0)]
    assert registers.duplicate == 1
    assert told(registers) == [
        ("sites.csv", 3, "site_id 'a' is there before with other content; the first row is kept"),
        ("sites.csv", 4, "site_id is missing"),
    ]


def test_visits_that_can_not_be_are_rejected(lake: Path) -> None:
    lines = [
        "v1,a,2024-03-01,c1,reversed,l1,yes,fine",
        "v2,a,2025-07-01,c1,sound,,no,",
        "v3,a,2023-12-31,c1,sound,,no,",
        "v4,zz,2024-03-01,c1,sound,,no,",
        "v5,a,2024-03-01,c1,reverzed,l1,no,",
        "v1,a,2024-03-01,c1,reversed,l1,yes,fine",
        "v1,b,2024-03-01,c1,dead,l1,no,",
        "v6,a,,c1,dead,l1,no,",
    ]
    (lake / "visits.csv").write_text(VISITS + "\n".join(lines))
    registers = read(lake)
    assert registers.visits.select("visit_id", "found", "fixed").rows() == [("v1", "reversed", True)]
    assert registers.duplicate == 1
    assert sorted(told(registers)) == [
        ("visits.csv", 2, "visited_on 2025-07-01 lies after the as-of day"),
        ("visits.csv", 3, "visited_on 2023-12-31 lies before the home's commissioning"),
        ("visits.csv", 4, "unknown home: site_id is not in sites"),
        ("visits.csv", 5, "found: 'reverzed' is not known; did you mean 'reversed'?"),
        ("visits.csv", 7, "visit_id 'v1' is there before with other content; the first row is kept"),
        ("visits.csv", 8, "visited_on is missing"),
    ]


def test_trainings_may_repeat_a_crew_but_not_themselves(lake: Path) -> None:
    (lake / "trainings.csv").write_text(
        "crew_id,trained_on,topic\nc1,2025-01-01,dead\nc1,2025-02-01,dead\nc1,2025-01-01,dead\nc1,2025-01-01,sound\n"
    )
    registers = read(lake)
    assert registers.trainings.height == 2
    assert registers.duplicate == 1
    assert told(registers) == [("trainings.csv", 4, "topic: 'sound' is not known")]


def test_parquet_registers_keep_their_types(lake: Path) -> None:
    typed = read(lake).sites
    typed.with_columns(pl.col("commissioned_on").cast(pl.Datetime("us"))).write_parquet(
        lake / "sites.parquet"
    )
    (lake / "sites.csv").unlink()
    assert read(lake).sites.equals(typed)


def test_columns_of_a_parquet_register_that_nobody_reads_may_be_of_any_type(lake: Path) -> None:
    odd = read(lake).sites.with_columns(
        photo=pl.lit(b"\xff"), path=pl.concat_list("latitude"), seen=pl.lit(2**62).cast(pl.Datetime("us"))
    )
    (lake / "sites.csv").unlink()
    odd.write_parquet(lake / "sites.parquet")
    assert read(lake).sites["site_id"].to_list() == ["a", "b"]


@pytest.mark.parametrize("zone", ["localtime", "Factory", "../../etc/localtime", "posixrules"])
def test_what_is_no_zone_of_the_world_rejects_its_home(lake: Path, zone: str) -> None:
    (lake / "sites.csv").write_text(f"site_id,timezone\ngood,\nbad,{zone}\n")
    registers = read(lake)
    assert registers.sites["site_id"].to_list() == ["good"]
    assert f"timezone: '{zone}' is not an IANA time zone" in registers.rejects["reason"][0]


def test_registers_follow_lake_toml(lake: Path) -> None:
    (lake / "lake.toml").write_text('[sites]\narea = "depot"\nservice = { always = "single" }\n')
    (lake / "sites.csv").write_text("site_id,depot\na,south\n")
    registers = read(lake)
    assert registers.sites.select("area", "service").row(0) == ("south", "single")
    assert registers.are_all_single


@pytest.mark.parametrize(
    ("name", "text", "reason"),
    [
        ("visits.csv", "visit,site_id,visited_on\n", "visits.csv: no column visit_id; did you mean 'visit'?"),
        ("sites.csv", "", "sites.csv: is empty: there is no header line"),
        ("sites.csv", "site_id\n", "sites.csv: not one usable home"),
        ("crews.csv", b"crew_id\n\xff\n", "crews.csv: cannot be read as delimited text"),
        ("crews.parquet", b"x", "crews.parquet: cannot be read as Parquet"),
        ("sites.csv", "site_id,Area,area\n", "sites.csv: columns 'Area' and 'area' have one name; keep one"),
    ],
)
def test_a_register_that_can_not_be_read_stops_the_night(
    lake: Path, name: str, text: str | bytes, reason: str
) -> None:
    (lake / name).write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as raised:
        read(lake)
    assert reason in str(raised.value)
    assert "\n" not in str(raised.value)


def test_limits_follow_the_service_and_the_array(lake: Path) -> None:
    (lake / "sites.csv").write_text(
        "site_id,service,service_amps,pv_kw\na,120/240,100,20\nb,single,100,0\nc,,,\nd,120/208,200,1\n"
    )
    (lake / "crews.csv").write_text(CREWS)
    limits = read(lake).site_limits(load_settings().lake)
    assert limits.select("site_key", "site_id", "leg_max_w", "pv_max_w").rows() == [
        (0, "a", 36_000.0, 60_000.0),
        (1, "b", 72_000.0, 24_000.0),
        (2, "c", 72_000.0, 100_000.0),
        (3, "d", 72_000.0, 24_000.0),
    ]


SECRETS = ("12 Example Lane", "gate 4711", "Ms Example", "dog in the yard, ask for Ms Example")


def test_what_is_private_is_apart_and_in_no_reject(lake: Path) -> None:
    address, access, customer, note = SECRETS
    (lake / "sites.csv").write_text(
        f"site_id,address,Access_Note,customer,pv_kw,phone\na,{address},{access},{customer},5,{customer}\n"
        f"b,,,,5,\nbad,{address},{access},{customer},lots,{customer}\ntoo,many,{address},{access},{customer},1,2\n"
    )
    (lake / "visits.csv").write_text(
        "visit_id,site_id,visited_on,found,note\n"
        f'V1,a,2025-06-01,sound,"{note}"\nV2,b,2025-06-02,,\nV3,nowhere,2025-06-02,,"{note}"\nV4,a,2025-06-02,,{note}\n'
    )
    registers = read(lake)

    assert registers.contacts.rows() == [("a", address, access, customer)]
    assert registers.notes.rows() == [("V1", note)]
    assert registers.visits["visit_id"].to_list() == ["V1", "V2"]
    assert [(file, row) for file, row, _ in told(registers)] == [
        ("sites.csv", 3), ("sites.csv", 4), ("visits.csv", 3), ("visits.csv", 4)
    ]  # fmt: skip
    assert '"site_id":"bad"' in str(registers.rejects["row"].to_list())
    for table in ("sites", "visits", "rejects"):
        text = str(getattr(registers, table).to_dicts())
        assert [secret for secret in SECRETS if secret in text] == []


def test_a_private_column_of_another_name_is_in_no_reject(lake: Path) -> None:
    (lake / "lake.toml").write_text('[sites.address]\nsource = "Street"\n')
    (lake / "sites.csv").write_text("site_id,Street,pv_kw\na,12 Example Lane,5\nbad,12 Example Lane,lots\n")
    registers = read(lake)
    assert registers.contacts["address"].to_list() == ["12 Example Lane"]
    assert "Example" not in str(registers.rejects.to_dicts())
