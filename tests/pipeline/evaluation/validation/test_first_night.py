"""What a first night says of its fleet, beside a truth that is known."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.evaluation.validation.first_night import compare_crews, rate_interval, summarize_first_night
from pipeline.evaluation.validation.fleets import FleetBuilder
from pipeline.evaluation.validation.nights import StoredLake, score_night, store_lake
from pipeline.scoring.model_file import load_model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


def test_a_crew_s_interval_holds_where_its_true_rate_is() -> None:
    truth = pl.DataFrame(
        {
            "site_id": ["a", "b", "c", "d", "e"],
            "fault": ["dead", "sound", "dead", "sound", "dead"],
            "onset_on": [None, None, date(2026, 6, 1), None, None],
        }
    )
    homes = pl.DataFrame(
        {
            "site_id": ["a", "b", "c", "d", "e"],
            "crew_id": ["A", "A", "B", "B", "B"],
            "is_heard": [True] * 4 + [False],
        }
    )
    quality = pl.DataFrame(
        {"crew_id": ["A", "B", "C"], "rate_low": [0.4, 0.1, None], "rate_high": [0.6, 0.5, None]}
    )

    crews = compare_crews(quality, homes, truth)

    # B's faulty homes: one began later, one has no data
    assert crews.select("crew_id", "true_rate", "is_held").rows() == [("A", 0.5, True), ("B", 0.0, False)]


def test_the_rate_s_interval_is_that_of_the_evidence_whatever_rate_it_was_told_with() -> None:
    ratio = np.r_[np.full(10, 1e6), np.full(190, 1e-6)]  # ten homes faulty beyond doubt, the rest sound

    low, high = rate_interval(ratio * 0.05 / (ratio * 0.05 + 0.95), 0.05)
    other = rate_interval(ratio * 0.3 / (ratio * 0.3 + 0.7), 0.3)

    # likelihood-ratio interval of 10 of 200
    assert (low, high) == (pytest.approx(0.0257, abs=0.001), pytest.approx(0.0860, abs=0.001))
    assert other == pytest.approx((low, high))


def test_where_nothing_speaks_for_a_fault_the_interval_reaches_zero() -> None:
    low, high = rate_interval(np.full(200, 1e-4), 0.05)

    assert low < 1e-4
    assert high == pytest.approx(1.92 / 200, rel=0.1)


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> StoredLake:
    root = tmp_path_factory.mktemp("first-night")
    write_lake(FleetSpec(24, 4, 60, 5, fault_share=0.3), root / "lake")
    return store_lake(root / "lake", root / "scratch", load_settings())


def test_a_night_is_told_with_what_it_would_publish(stored: StoredLake) -> None:
    night = score_night(stored, stored.nights, load_model())

    summary = summarize_first_night(night, stored)

    assert night.homes.height == 24
    assert summary["above_cut"] <= summary["listed"] <= 24
    assert summary["rate_low"] <= summary["rate_high"]
    assert summary["rate"] == night.fleet.rate
    assert summary["crews"] > 0
    assert summary["crews_held"] <= summary["crews"]
    first_day = night.homes["is_from_first_day"].mean()
    assert summary["installs_true"] == pytest.approx(first_day)  # every home has data


def test_small_fleets_have_their_own_normal_and_no_home_twice_before_all_were_cut(
    stored: StoredLake, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.evaluation.validation.fleets.SMALL_FLEET_HOMES", 10)
    settings, model = load_settings(), load_model()
    night = score_night(stored, stored.nights, model)

    builder = FleetBuilder(Path("none"), model, settings, workers=1, is_kept=False, small_fleets=3)

    cut = builder.cut_small_fleets(night, stored, 4)

    part, home = (cut["site_id"].str.split("/").list.get(index) for index in (0, 1))
    assert part.value_counts()["count"].to_list() == [10, 10, 10]
    assert home.filter(part.is_in(["0", "1"])).n_unique() == 20
    assert cut.equals(builder.cut_small_fleets(night, stored, 4))
    whole = dict(night.homes.select("site_id", "likelihood").iter_rows())
    moved = [abs(whole[site] - said) for site, said in zip(home, cut["likelihood"], strict=True)]
    assert max(moved) > 0


def test_an_earlier_night_knows_its_own_days_only(stored: StoredLake) -> None:
    early = score_night(stored, 2, load_model())

    assert early.as_of == stored.lake.days()[1]
    assert early.view.signals["nights"].max() <= 2
    assert early.homes.height == 24
