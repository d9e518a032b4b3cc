"""A home and its twin without the fault: alike before it begins, and in all that the fault doesn't touch."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.simulate.counterfactual import Twins, twin_home
from pipeline.simulate.fleet import simulate_home
from pipeline.simulate.spec import FleetSpec

SPEC = FleetSpec(24, 6, 15, 3, date(2026, 6, 14), fault_share=0.8, onset_share=0.5, hard_share=0.0)


@pytest.fixture(scope="module")
def twins() -> list[Twins]:
    return [twin_home(SPEC, number) for number in range(SPEC.sites)]


def test_as_installed_it_is_the_simulated_home(twins: list[Twins]) -> None:
    for number, twin in enumerate(twins):
        alone = simulate_home(SPEC, number)
        assert twin.installed.equals(alone.readings)
        assert twin.site == alone.site
        assert (twin.fault or "sound", twin.leg) == (alone.truth["fault"], alone.truth["leg"])


def test_before_the_onset_both_read_the_same_and_after_it_they_don_t(twins: list[Twins]) -> None:
    later = [twin for twin in twins if twin.onset_at is not None]
    assert later
    for twin in later:
        assert twin.onset_at is not None
        ends = pl.col("interval_start").dt.replace_time_zone(None) + timedelta(minutes=15)
        before, after = ends <= twin.onset_at, ends > twin.onset_at
        assert twin.installed.filter(before).equals(twin.right.filter(before))
        assert not twin.installed.filter(after).equals(twin.right.filter(after))


def test_a_fault_from_commissioning_leaves_what_no_clamp_reads(twins: list[Twins]) -> None:
    first = [twin for twin in twins if twin.fault and twin.onset_at is None]
    assert {twin.fault for twin in first} > {"wrong_scope"}
    for twin in first:
        untouched = ["interval_start", "l1_v", "l2_v", "battery_w", "import_wh", "export_wh"]
        assert twin.installed.select(untouched).equals(twin.right.select(untouched))
        assert twin.installed.equals(twin.right) == (twin.fault == "wrong_scope")


def test_a_right_twin_has_the_record_right_too(twins: list[Twins]) -> None:
    scopes = [twin for twin in twins if twin.fault == "wrong_scope" and twin.site["ct_sees_pv"] is not None]
    assert scopes
    assert all(twin.site_right["ct_sees_pv"] is not twin.site["ct_sees_pv"] for twin in scopes)
    kept = [twin for twin in twins if twin.fault != "wrong_scope" and twin.site["ct_sees_pv"] is not None]
    assert all(twin.site_right == twin.site for twin in kept)


def test_a_sound_home_is_its_own_twin(twins: list[Twins]) -> None:
    sound = [twin for twin in twins if not twin.fault]
    assert sound
    assert all(twin.right is twin.installed for twin in sound)
