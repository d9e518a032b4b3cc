"""Readings that a fault spoiled: exact where they still tell the truth, else by a witness, else left empty."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from corrected_home import FaultyHome, episode, faulty_home, wired_home

from pipeline.core.services import LINES, SERVICES, lines_of
from pipeline.correction.hypothesis import NO_WIRING, NOT_RECORDED, OTHER_VOLTAGE
from pipeline.correction.layout import AS_REPORTED, CORRECTED, EMPTY, ESTIMATED, EXACT
from pipeline.correction.rows import correct_rows
from pipeline.correction.unseen import NOTHING_TELLS, Witnesses
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.cts import Wiring
from pipeline.faults.permutations import orders_of

SITES = pl.DataFrame({"site_id": ["H1"], "longitude": [-105.0]})
HAS_INVERSE = [name for name, fault in CATALOGUE.items() if fault.remains == "all"]


def corrected(home: FaultyHome, witnesses: Witnesses | None = None, **values: float | str) -> pl.DataFrame:
    story = home.episode.with_columns(pl.lit(value).alias(name) for name, value in values.items())
    return correct_rows(
        home.rows, story, sites=SITES, witnesses=witnesses or Witnesses(), catalogue=CATALOGUE
    )


def cells() -> Iterator[tuple[str, str, str, bool, bool]]:
    for name, service, sees_pv, is_added in itertools.product(
        HAS_INVERSE, SERVICES, (True, False), (True, False)
    ):
        # a source adds production to upstream readings only; one line has no legs to cross
        if (sees_pv or not is_added) and not (SERVICES[service].line_count == 1 and name == "legs_crossed"):
            yield from ((name, leg, service, sees_pv, is_added) for leg in CATALOGUE[name].legs_on(service))


def code_of(wiring: Wiring) -> str:
    """As the night's table writes it."""
    return " ".join(f"{LINES[ct.line - 1]}{'-' if ct.is_turned else '+'}" for ct, *_ in wiring.channels)


def production_of(name: str, leg: str, service: str) -> tuple[dict[str, object], Witnesses]:
    """How production is metered where leads are exchanged: so that the exchange has an inverse on this service."""
    if "production_factor" not in CATALOGUE[name].inverse_needs:
        return {}, Witnesses()
    lead = LINES.index(leg) + 1
    if service == "120/208":
        return {"production_by": "leg", "production_leg": lead}, Witnesses(production_factor={"H1": (1.0,)})
    factor = float(SERVICES[service].line_count)
    return {"production_leg": lead}, Witnesses(production_factor={"H1": (factor,)})


@pytest.mark.parametrize(("name", "leg", "service", "sees_pv", "is_added"), list(cells()))
def test_an_exact_inverse_gives_the_truth_back(
    name: str, leg: str, service: str, sees_pv: bool, is_added: bool
) -> None:
    wiring, witnesses = production_of(name, leg, service)
    home = faulty_home(name, leg, service, sees_pv=sees_pv, is_added=is_added, **wiring)
    known: dict[str, object] = {"ratio": home.ratio, "ratio_se": 0.0}
    if CATALOGUE[name].wirings and SERVICES[service].line_count == 3:
        known["wiring"] = code_of(home.wiring)
    rows = corrected(home, witnesses, **known)  # type: ignore[arg-type]
    assert rows["method"].unique().to_list() == [EXACT]
    for column in ("l1_w", "l2_w", "l3_w", "pv_w"):
        np.testing.assert_allclose(
            rows[column].cast(pl.Float64), home.right[column].cast(pl.Float64), atol=1e-9, rtol=1e-12
        )
        assert rows[f"{column}_reported"].equals(home.rows[column])


@pytest.mark.parametrize("leg", ["l1", "l2", "both"])
def test_what_the_source_cut_off_is_lost_and_the_rest_is_exact(leg: str) -> None:
    home = faulty_home("reversed", leg, is_added=True, is_clipped=True)
    rows = corrected(home)
    wrong = ["l1_w", "l2_w"] if leg == "both" else [f"{leg}_w"]
    is_cut = home.rows.select(pl.any_horizontal(pl.col(wrong) == 0)).to_series()
    assert is_cut.any()
    assert not is_cut.all()
    lost = rows.filter(is_cut)
    assert lost["method"].unique().to_list() == [EMPTY]
    assert "cut off" in lost["reason"][0]
    assert lost.select(pl.col(wrong).is_null().all()).row(0) == (True,) * len(wrong)
    for column in wrong:
        np.testing.assert_allclose(
            rows.filter(~is_cut)[column], home.right.filter(~is_cut)[column], atol=1e-9, rtol=1e-12
        )


def test_rows_come_one_for_one_in_the_contracts_columns_with_what_was_done() -> None:
    home = faulty_home("reversed", "l1")
    rows = corrected(home)
    assert rows.schema == CORRECTED
    assert rows.select("site_id", "interval_start").equals(home.rows.select("site_id", "interval_start"))
    first = rows.row(0, named=True)
    assert (first["fault"], first["leg"], first["likelihood"]) == ("reversed", "l1", 0.97)
    assert (first["factor_l1"], first["factor_l2"], first["is_corrected"]) == (-1.0, 1.0, True)
    assert first["l1_w_low"] == pytest.approx(first["l1_w"])
    assert rows["l2_w"].equals(home.rows["l2_w"])


@pytest.mark.parametrize(
    ("fault", "sees_pv"), [("dead", True), ("same_leg", True), ("dead", False), ("opposed_pair", True)]
)
def test_a_leg_that_was_not_seen_is_the_meter_less_the_other_leg(fault: str, sees_pv: bool) -> None:
    home = faulty_home(fault, "l2", sees_pv=sees_pv, has_meter=True, cts_per_leg=2)
    rows = corrected(home)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    np.testing.assert_allclose(rows["l2_w"], home.right["l2_w"], atol=1e-6)
    assert rows["l1_w"].equals(home.rows["l1_w"])
    assert (rows["l2_w_high"] - rows["l2_w_low"] > 50).all()


def test_without_meter_and_other_homes_nothing_is_made_up() -> None:
    rows = corrected(faulty_home("dead", "l2"))
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["l2_w"].null_count() == rows.height
    assert rows["l1_w"].null_count() == 0
    assert rows["reason"].unique().to_list() == [NOTHING_TELLS]
    assert not rows["is_corrected"].any()


def test_a_share_of_the_current_is_scaled_up_with_its_error() -> None:
    home = faulty_home("partial", "l1", cts_per_leg=2)
    rows = corrected(home, gain_l1=0.5, gain_l1_se=0.02)
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"], atol=1e-9)
    assert rows["factor_l1"].unique().to_list() == [2.0]
    width = (rows["l1_w_high"] - rows["l1_w"]).to_numpy()
    np.testing.assert_allclose(width, 1.96 * 0.04 * np.abs(rows["l1_w"].to_numpy()))
    error = (rows["sum_w_high"] - rows["sum_w_low"]).to_numpy() / 2
    np.testing.assert_allclose(error, width)


def test_a_share_at_the_loads_says_nothing_of_what_ran_outside() -> None:
    rows = corrected(faulty_home("partial", "l1", sees_pv=False), gain_l1=0.5, gain_l1_se=0.02)
    assert rows["method"].unique().to_list() == [EMPTY]


def test_an_estimated_ratio_errs_alike_on_both_legs() -> None:
    home = faulty_home("wrong_ratio", "both")
    rows = corrected(home, ratio=home.ratio, ratio_se=0.05 * home.ratio)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    legs = (rows["l1_w"] + rows["l2_w"]).abs()
    np.testing.assert_allclose(rows["sum_w_high"] - rows["sum_w_low"], 2 * 1.96 * 0.05 * legs)


def test_gaps_are_filled_and_the_rest_stays_as_reported() -> None:
    home = faulty_home("reversed", "l1", has_meter=True)
    gaps = pl.Series([30 <= step < 34 for step in range(home.rows.height)])
    spoilt = home.right.with_columns(l1_w=pl.when(gaps).then(0.0).otherwise("l1_w"))
    cut = replace(home, rows=spoilt, episode=episode("intermittent", "l1"))
    rows = corrected(cut)
    around = gaps | gaps.shift(1, fill_value=False) | gaps.shift(-1, fill_value=False)
    assert (rows["method"] == ESTIMATED).equals(around)
    assert (rows.filter(~around)["method"] == AS_REPORTED).all()
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"], atol=1e-6)


def test_the_interval_covers_a_rival_that_would_give_another_value() -> None:
    """Both legs reversed and legs crossed read alike; which it was nobody says, so both must lie inside."""
    home = faulty_home("reversed", "both")
    rows = corrected(home, rival_fault="legs_crossed", rival_leg="both", rival_likelihood=0.3)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"])
    crossed = corrected(replace(home, episode=episode("legs_crossed", "both")))
    for column in ("l1_w", "l2_w"):
        assert (rows[f"{column}_low"] <= crossed[column] + 1e-9).all()
        assert (rows[f"{column}_high"] >= crossed[column] - 1e-9).all()


def test_a_rival_by_which_nothing_could_be_told_leaves_the_row_empty() -> None:
    rows = corrected(faulty_home("reversed", "l1"), rival_fault="dead", rival_leg="l1", rival_likelihood=0.3)
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["l1_w"].null_count() == rows.height
    assert "no signal" in rows["reason"][0]


def test_a_row_outside_every_episode_is_refused() -> None:
    home = faulty_home("reversed", "l1")
    late = home.episode.with_columns(from_on=pl.col("from_on") + pl.duration(days=1))
    with pytest.raises(ValueError, match="no episode on that day"):
        corrected(replace(home, episode=late))


def test_a_home_of_one_line_is_put_right_too() -> None:
    home = faulty_home("reversed", "l1", "single")
    rows = corrected(home)
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"])
    assert rows["l2_w"].null_count() == rows.height
    assert Wiring.sound("single").legs == ("l1",)


@pytest.mark.parametrize("service", ["230/400", "120/208 three-phase"])
def test_every_wiring_of_three_lines_is_put_right(service: str) -> None:
    """Crossed and turned in any way, as the night found it."""
    sound = faulty_home("reversed", "l1", service)
    for leg in CATALOGUE["legs_crossed"].legs_on(service):
        for signs in itertools.product((1, -1), repeat=3):
            for order in orders_of(leg, 3):
                home = wired_home(service, order, signs)
                story = replace(sound, rows=home, episode=episode("legs_crossed", leg, service))
                code = code_of(Wiring.sound(service).permuted(order, signs))
                rows = corrected(story, wiring=code)
                assert rows["method"].unique().to_list() == [EXACT]
                for column in ("l1_w", "l2_w", "l3_w"):
                    np.testing.assert_allclose(rows[column], sound.right[column], atol=1e-9, rtol=1e-12)


def test_a_rotation_that_nobody_can_tell_is_left_empty_and_says_so() -> None:
    home = faulty_home("legs_crossed", "l1+l2+l3", "230/400")
    rows = corrected(home)
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["reason"].unique().to_list() == [NO_WIRING]
    assert rows.select("l1_w", "l2_w", "l3_w").null_count().row(0) == (rows.height,) * 3


def test_lines_120_degrees_apart_need_their_reactive_power() -> None:
    home = faulty_home("legs_crossed", "l1+l3", "230/400")
    unknown = home.rows.with_columns(pl.lit(None, pl.Float64).alias(f"{leg}_var") for leg in LINES)
    rows = corrected(replace(home, rows=unknown))
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["reason"].unique().to_list() == [NOT_RECORDED]
    assert rows["l2_w"].equals(home.rows["l2_w"])


@pytest.mark.parametrize("leg", ["l1", "l3", "l1+l3", "l1+l2+l3"])
@pytest.mark.parametrize("sees_pv", [True, False])
def test_lines_that_were_not_seen_are_the_meter_less_the_others(leg: str, sees_pv: bool) -> None:
    home = faulty_home("dead", leg, "230/400", sees_pv=sees_pv, has_meter=True)
    rows = corrected(home)
    if (
        not sees_pv
    ):  # production metered at one line stands for all three by their voltages, which differ here
        is_dark = home.rows["pv_w"] == 0
        rows, home = rows.filter(is_dark), replace(home, right=home.right.filter(is_dark))
    assert rows["method"].unique().to_list() == [ESTIMATED]
    total = sum(rows[f"{line}_w"] for line in LINES)
    np.testing.assert_allclose(total, sum(home.right[f"{line}_w"] for line in LINES), atol=1e-6)
    assert (rows["sum_w_low"] <= total + 1e-6).all()
    assert (rows["sum_w_high"] >= total - 1e-6).all()
    for line in lines_of(leg, 3):
        assert (rows[f"{line}_w_low"] <= home.right[f"{line}_w"]).all()
        assert (rows[f"{line}_w_high"] >= home.right[f"{line}_w"]).all()


def test_without_a_meter_no_other_line_tells_of_a_third() -> None:
    rows = corrected(faulty_home("dead", "l3", "230/400"))
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["l3_w"].null_count() == rows.height
    assert rows["l1_w"].null_count() == 0


def test_a_share_of_a_third_line_is_scaled_up() -> None:
    home = faulty_home("partial", "l3", "230/400", cts_per_leg=2)
    rows = corrected(home, gain_l3=0.5, gain_l3_se=0.02)
    np.testing.assert_allclose(rows["l3_w"], home.right["l3_w"], atol=1e-9)
    assert rows["factor_l3"].unique().to_list() == [2.0]
    assert rows["factor_l1"].unique().to_list() == [1.0]


def test_production_led_by_another_line_takes_nothing_for_known() -> None:
    """The exchanged lead of a line whose own voltage production isn't metered by: line and production are empty."""
    for is_added in (False, True):
        home = faulty_home("swapped_with_pv", "l3", "230/400", is_added=is_added, production_leg=1)
        rows = corrected(home, Witnesses(production_factor={"H1": (-3.0,)}))
        assert rows["method"].unique().to_list() == [EMPTY]
        assert rows["reason"].unique().to_list() == [OTHER_VOLTAGE]
        lost = ["l1_w", "l2_w", "l3_w", "pv_w"] if is_added else ["l3_w", "pv_w"]
        for column in ("l1_w", "l2_w", "l3_w", "pv_w"):
            assert rows[column].null_count() == (rows.height if column in lost else 0), (is_added, column)


def test_homes_of_one_two_and_three_lines_are_corrected_together() -> None:
    homes = {
        site: faulty_home("reversed", leg, service)
        for site, leg, service in (("A", "l1", "single"), ("B", "l2", "120/240"), ("C", "l3", "230/400"))
    }
    together = {
        name: pl.concat(
            getattr(home, name).with_columns(site_id=pl.lit(site)) for site, home in homes.items()
        )
        for name in ("rows", "right", "episode")
    }
    sites = pl.DataFrame({"site_id": list(homes), "longitude": [0.0] * 3})
    rows = correct_rows(
        together["rows"], together["episode"], sites=sites, witnesses=Witnesses(), catalogue=CATALOGUE
    )
    for column in ("l1_w", "l2_w", "l3_w"):
        assert rows[column].equals(together["right"][column], null_equal=True)
