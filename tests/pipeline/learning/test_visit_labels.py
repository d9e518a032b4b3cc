"""Homes as they looked when somebody was sent: the window before the visit, the record as it was, what was found."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.core import sql_runner
from pipeline.core.contract import SOUND, Visit
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window import look
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.learning.labelled import Labelled
from pipeline.learning.visit_labels import as_declared_then, first_visits, rate_of, truths, visited_homes
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model import Model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SETTINGS = load_settings()
FIRST = date(2026, 6, 9)


def visits(*rows: tuple[str, int, str | None, bool | None]) -> pl.DataFrame:
    """Visits as (site_id, days after FIRST, found, fixed)."""
    told = [
        {
            "visit_id": str(at),
            "site_id": site,
            "visited_on": FIRST + timedelta(days=day),
            "found": found,
            "fixed": fixed,
        }
        for at, (site, day, found, fixed) in enumerate(rows)
    ]
    return pl.DataFrame(told, schema=pl.Schema(Visit))


def test_a_homes_first_finding_counts() -> None:
    told = visits(
        ("a", 3, None, None), ("a", 4, "dead", True), ("a", 5, "sound", None), ("b", -9, "dead", True)
    )
    found = first_visits(told, FIRST, FIRST + timedelta(days=9))

    assert found.select("site_id", "found").rows() == [("a", "dead")]


def test_a_record_put_right_was_wrong_before_the_visit() -> None:
    sites = pl.DataFrame({"site_id": ["a", "b", "c"], "ct_sees_pv": [True, True, None]})
    told = visits(
        ("a", 1, "wrong_scope", True), ("b", 1, "wrong_scope", False), ("c", 1, "wrong_scope", True)
    )
    then = as_declared_then(sites, told, CATALOGUE)

    assert then["ct_sees_pv"].to_list() == [False, True, None]
    assert truths(told, then, CATALOGUE).select("site_id", "severity", "sees_pv_true").rows() == [
        ("a", "declared downstream, is not", True),
        ("b", "declared upstream, is not", False),
        ("c", None, None),
    ]


@pytest.mark.parametrize("window_days", [2, 30])
def test_the_evidence_is_that_of_the_window_before_the_visit(window_days: int, tmp_path: Path) -> None:
    write_lake(FleetSpec(6, days=6, minutes=60, seed=2, fault_share=0.5), tmp_path / "lake")
    lake = open_lake(tmp_path / "lake")
    registers = read_registers(lake, lake.days()[-1])
    names = registers.sites["site_id"].to_list()
    told = visits(
        (names[0], 3, "dead", True),
        (names[1], 3, "other", None),
        (names[2], 5, "sound", None),
        (names[3], 0, "dead", None),
    )
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    store = Store(tmp_path / "store")
    stored = refresh_days(
        con, lake, lake.days(), registers=registers, store=store, settings=SETTINGS, workdir=tmp_path
    )

    seen = visited_homes(
        con,
        store,
        stored,
        replace(registers, visits=told),
        window_days,
        CATALOGUE,
        SETTINGS,
        tmp_path / "copies",
    )

    assert seen is not None
    assert seen.signals["site_id"].to_list() == seen.truth["site_id"].to_list() == names[:3]
    assert seen.truth["fault"].to_list() == ["dead", "other", "sound"]
    before = FIRST + timedelta(days=2)
    files = [
        day.paths(store, "site_day")[0]
        for day in stored
        if before - timedelta(window_days) < day.day <= before
    ]
    same = look(
        con, files, registers.sites, visits=told, as_of=before, window_days=window_days, settings=SETTINGS
    ).signals
    con.close()
    wanted = pl.col("site_id").is_in(names[:2])
    # sums over the copies of the days may add up in another order
    assert_frame_equal(seen.signals.filter(wanted), same.filter(wanted), rel_tol=1e-12, abs_tol=1e-12)
    assert seen.signals["days"].to_list() == [min(window_days, 3)] * 2 + [min(window_days, 5)]


def test_without_visits_there_is_no_base_rate(model: Model, fleet: Labelled) -> None:
    normal = learn_normal(fleet.signals, model, SETTINGS.verdict)

    assert rate_of(model, None, normal, CATALOGUE, SETTINGS) is None


def test_visits_that_find_more_faults_say_a_higher_base_rate_and_their_mix(
    model: Model, fleet: Labelled
) -> None:
    """The same homes, found as they are, or all found sound."""
    normal = learn_normal(fleet.signals, model, SETTINGS.verdict)
    sound = fleet.truth.with_columns(pl.lit(SOUND).alias("fault"))
    as_they_are, all_sound = (
        rate_of(model, replace(fleet, truth=truth), normal, CATALOGUE, SETTINGS)
        for truth in (fleet.truth, sound)
    )

    assert as_they_are is not None
    assert all_sound is not None
    assert as_they_are[0].rate > all_sound[0].rate
    assert as_they_are[0].low < as_they_are[0].rate < as_they_are[0].high
    for _, mix in (as_they_are, all_sound):
        assert list(mix) == list(model.faults)
        assert sum(mix.values()) == pytest.approx(1)
    # the mix leans to what was found, by as much as six faults can move sixty that are alike
    even, told = 1 / len(model.faults), as_they_are[1]
    found = [name for name in fleet.truth["fault"] if name != SOUND]
    assert sum(told[name] for name in set(found)) > len(set(found)) * even
    assert all_sound[1] == pytest.approx(dict.fromkeys(model.faults, even))
