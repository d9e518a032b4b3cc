"""The catalogue of probes: quantities with errors, the same for any home alone or among others, null kept null."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scored_homes import OF_THE_WINDOW, homes, right_home
from three_line_rows import three_line_homes

from pipeline.learning.labelled import Labelled
from pipeline.probes import NAMES, PROBES
from pipeline.probes.line_rows import with_wirings
from pipeline.probes.measured import STRATA, all_quantities, legs_of, measure, probe_table, strata
from pipeline.probes.probe import Quantity


def columns_of_three_lines() -> list[str]:
    """What the rows of homes of three lines have, with their wirings."""
    return with_wirings(three_line_homes([{}])).columns


QUANTITIES = [pytest.param(key, quantity, id=key) for key, _, quantity in all_quantities()]


def test_names_are_unique_and_every_probe_has_something_to_say() -> None:
    keys = [key for key, _, _ in all_quantities()]

    assert len(set(NAMES)) == len(NAMES)
    assert len(set(keys)) == len(keys)
    for probe in PROBES:
        assert probe.quantities
        assert probe.reads
        assert set(probe.reads) <= {*columns_of_three_lines(), *OF_THE_WINDOW}
        assert probe.label


@pytest.mark.parametrize(("key", "quantity"), QUANTITIES)
def test_a_quantity_reads_columns_of_site_signal(key: str, quantity: Quantity) -> None:
    asked = [quantity.value(leg) for leg in legs_of(quantity)]
    asked += [quantity.se(leg) for leg in legs_of(quantity)] if quantity.se else []
    asked += [quantity.right] if quantity.right is not None else []

    read = {name for value in asked for name in value.meta.root_names()}
    assert read
    assert read <= {*right_home(), *OF_THE_WINDOW}


@pytest.mark.parametrize(("key", "quantity"), QUANTITIES)
def test_a_quantity_says_what_it_is(key: str, quantity: Quantity) -> None:
    assert quantity.floor > 0
    assert quantity.unit
    assert quantity.wrong in ("", "low", "high", "both")
    # what only says how to read the others is held against nothing
    if not quantity.is_compared:
        assert (quantity.wrong, quantity.decides) == ("", None)
    if quantity.decides is not None:
        assert quantity.decides > quantity.floor
    if quantity.shape == "contrast":
        assert quantity.right is None  # the legs' order is chance: right is no difference


def test_the_right_home_lies_at_right_and_knows_every_quantity() -> None:
    measured = measure(homes([{}]))

    for key, _, quantity in all_quantities():
        assert not np.isnan(measured.values[key]).any(), key
        if key in measured.rights:
            assert np.abs(measured.values[key] - measured.rights[key][:, None]).max() < 0.05, key
        if quantity.decides is not None:
            right = measured.rights.get(key, np.zeros(1))
            assert (np.abs(measured.values[key] - right[:, None]) < quantity.decides / 3).all(), key


def test_a_home_of_which_nothing_is_known_has_no_quantity_but_what_the_record_says() -> None:
    told = {"site_id", "service", "is_declared_upstream", "is_added_back", "has_battery", "is_battery_hidden"}
    right = homes([{}])
    empty = right.with_columns(
        pl.lit(None).cast(kind).alias(name) for name, kind in right.schema.items() if name not in told
    )

    measured = measure(empty)

    known = {key for key, values in measured.values.items() if not np.isnan(values).all()}
    assert {key.split(".")[0] for key in known} <= {"register"}


def test_what_is_not_a_number_is_not_known() -> None:
    odd = homes([{"gain_l1": float("nan"), "gain_l2": float("inf"), "pv_kw": 0.0}])

    measured = measure(odd)

    assert np.isnan(measured.values["sun.gain"]).all()
    assert np.isnan(measured.values["production.peak_of_rating"]).all()


def test_a_home_alone_is_measured_as_among_others(fleet: Labelled) -> None:
    """To the last digit, whatever the size of the table."""
    whole = measure(fleet.signals)

    for at in range(fleet.signals.height):
        alone = measure(fleet.signals[at : at + 1])
        for key, values in whole.values.items():
            np.testing.assert_array_equal(alone.values[key], values[at : at + 1], err_msg=key)
            np.testing.assert_array_equal(alone.errors[key], whole.errors[key][at : at + 1], err_msg=key)


def test_homes_are_held_against_homes_of_their_kind() -> None:
    kinds = homes(
        [
            {"is_declared_upstream": False}, {"is_declared_upstream": True},
            {"is_declared_upstream": True, "is_added_back": True}, {"is_declared_upstream": None},
        ]
    )  # fmt: skip

    assert [STRATA[at] for at in strata(kinds)] == [
        "at the loads",
        "upstream",
        "upstream, added back",
        "position unknown",
    ]


def test_a_meter_that_counts_against_a_leg_reads_as_a_gain_next_to_nothing() -> None:
    measured = measure(homes([{"meter_gain_l1": -1.0, "meter_gain_l2": 2.0}]))

    against, double = measured.values["meter.log_gain"][0]
    assert against == pytest.approx(np.log(0.02))
    assert double == pytest.approx(np.log(2))


def test_the_table_has_a_row_for_every_quantity_that_is_known() -> None:
    signals = homes([{}, {"meter_gain_l1": None, "meter_gain_l2": None, "gain_l2": None}])

    table = probe_table(signals)

    assert table.columns == [
        "site_id", "probe", "quantity", "leg", "value", "standard_error", "right", "unit", "count", "counted"
    ]  # fmt: skip
    assert table["counted"].null_count() == 0  # of what a probe counts is known, however many there are
    assert set(table.filter(probe="pairs")["count"]) == {right_home()["pair_n"]}
    assert table["site_id"].is_sorted()
    assert table["value"].null_count() == 0
    gains = table.filter(probe="sun", quantity="gain").select(
        "site_id", "leg", "value", "standard_error", "right"
    )
    assert gains.rows() == [
        ("home 0000", "l1", 1.0, 0.02, 1.0),
        ("home 0000", "l2", 0.98, 0.02, 1.0),
        ("home 0001", "l1", 1.0, 0.02, 1.0),
    ]
    assert table.filter(probe="meter", quantity="log_gain")["site_id"].unique().to_list() == ["home 0000"]
    whole = table.filter(site_id="home 0000")
    assert whole.height == sum(len(legs_of(quantity)) for _, _, quantity in all_quantities())
    assert whole.filter(pl.col("leg").is_null())["quantity"].to_list() == [
        quantity.name for _, _, quantity in all_quantities() if quantity.shape != "leg"
    ]
