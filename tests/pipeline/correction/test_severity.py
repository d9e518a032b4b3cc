"""Gains and ratios of an episode's own days."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from fault_history import END, FaultHistory, build_history, day, episodes

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.correction.severity import with_severity
from pipeline.correction.yardstick import Yardstick
from pipeline.evaluation.validation.nights import store_lake
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.window import look
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model import Model
from pipeline.simulate.counterfactual import twin_home
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


@pytest.fixture(scope="module")
def known(tmp_path_factory: pytest.TempPathFactory, model: Model) -> FaultHistory:
    return build_history(tmp_path_factory.mktemp("severity"), model)


def severities(known: FaultHistory, *rows: dict[str, object]) -> list[dict[str, object]]:
    return with_severity(
        known.con, episodes(*rows), known.files, as_of=END, yardstick=known.yardstick, catalogue=CATALOGUE
    ).to_dicts()


def test_a_ratio_is_that_of_the_ratings(known: FaultHistory) -> None:
    told = known.truth.filter(site_id="H00004")["severity"][0]
    configured, true = (float(word) for word in told.split() if word.isdigit())

    (found,) = severities(
        known, {"site_id": "H00004", "fault": "wrong_ratio", "leg": "both", "from_on": day(10)}
    )

    assert found["ratio"] == pytest.approx(configured / true)
    assert found["ratio_se"] == 0
    assert str(found["gain_by"]).endswith("rating")
    assert abs(float(found["gain_l1"]) / found["ratio"] - 1) < 0.2  # type: ignore[arg-type]


def test_a_gain_is_of_the_faults_leg_within_its_error(known: FaultHistory) -> None:
    told = known.truth.filter(site_id="H00005")["severity"][0]
    true = float(told.split()[0]) if told[0].isdigit() else 0.5

    (found,) = severities(known, {"site_id": "H00005", "fault": "partial", "leg": "l2", "from_on": day(0)})

    assert found["gain_l1"] is None
    assert found["gain_l1_se"] is None
    assert found["gain_l2"] == pytest.approx(true, abs=2.5 * found["gain_l2_se"])  # type: ignore[operator]
    assert found["ratio"] is None
    assert "production" in str(found["gain_by"])


def test_a_rival_that_needs_a_ratio_gets_one(known: FaultHistory) -> None:
    row = {
        "site_id": "H00004",
        "fault": "partial",
        "leg": "both",
        "from_on": day(10),
        "rival_fault": "wrong_ratio",
    }

    assert severities(known, row)[0]["ratio"] is not None


def test_a_fault_that_scales_nothing_has_no_gain(known: FaultHistory) -> None:
    row = {"site_id": "H00005", "fault": "dead", "leg": "l2", "from_on": day(0)}

    alone, with_rival = severities(known, row, row | {"rival_fault": "partial"})

    assert (alone["gain_l2"], alone["gain_by"]) == (None, None)
    assert with_rival["gain_l2"] is not None


def test_days_without_rows_tell_nothing(known: FaultHistory) -> None:
    row = {"site_id": "H00005", "fault": "partial", "leg": "l2", "from_on": day(-9), "to_on": day(-2)}

    (found,) = severities(known, row)

    assert found["gain_l2"] is None
    assert found["gain_by"] is None
    assert severities(known) == []


@pytest.mark.heavy
def test_intervals_of_gains_cover_the_true_ones(tmp_path: Path, model: Model) -> None:
    """A fleet's gains by its own normal: nineteen of twenty true gains lie within 1.96 standard errors."""
    settings = load_settings()
    spec = FleetSpec(
        150,
        days=30,
        seed=31,
        fault_share=0.45,
        onset_share=0.0,
        faults=("partial", "loose_core", "wrong_ratio"),
    )
    write_lake(spec, tmp_path / "lake")
    stored = store_lake(tmp_path / "lake", tmp_path / "work", settings)
    files = [path for of_day in stored.files for path in of_day]
    sites = stored.registers.sites
    con = sql_runner.connect(tmp_path, settings.engine)
    days = stored.lake.days()
    view = look(
        con, files, sites, visits=stored.registers.visits, as_of=days[-1], window_days=30, settings=settings
    )
    is_sound = pl.col("site_id").is_in(stored.truth.filter(fault="sound")["site_id"].implode())
    fleet = learn_normal(view.signals.filter(is_sound), model, settings.verdict)
    faulty = stored.truth.filter(pl.col("fault") != "sound").select("site_id", "fault", "leg")
    asked = episodes(*(row | {"from_on": days[0]} for row in faulty.iter_rows(named=True)))

    found = with_severity(
        con,
        asked,
        files,
        as_of=days[-1],
        yardstick=Yardstick(model, fleet, sites, settings),
        catalogue=CATALOGUE,
    )

    sees = dict(sites.select("site_id", "ct_sees_pv").iter_rows())
    off, wrong_ratios = [], 0
    for row in found.iter_rows(named=True):
        twins = twin_home(spec, int(row["site_id"][1:]))
        if not (sees[row["site_id"]] and twins.site_right["ct_sees_pv"]) or twins.site["pv_added_back"]:
            continue
        for leg in ("l1", "l2"):
            if row[f"gain_{leg}"] is not None:
                off.append(
                    (row[f"gain_{leg}"] - true_gain(twins.installed, twins.right, leg))
                    / row[f"gain_{leg}_se"]
                )
        if row["ratio_se"] == 0:
            wrong_ratios += abs(true_gain(twins.installed, twins.right, "l1") / row["ratio"] - 1) > 0.02
    assert len(off) > 40
    assert 0.88 <= np.mean(np.abs(off) < 1.96) <= 1.0
    assert wrong_ratios == 0


def true_gain(installed: pl.DataFrame, right: pl.DataFrame, leg: str) -> float:
    """What a leg reads of what it should, by least squares through the origin."""
    both = (
        installed.join(right, on="interval_start", suffix="_right")
        .select(f"{leg}_w", f"{leg}_w_right")
        .drop_nulls()
    )
    read, truth = both.to_numpy().T
    return float((read * truth).sum() / (truth**2).sum())
