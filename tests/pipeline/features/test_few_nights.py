"""Likelihoods respond to evidence: three nights say less than thirty, of sound homes and of faulty ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import polars as pl
import pytest
from scored_homes import night_scored

from pipeline.core.contract import SOUND
from pipeline.core.settings import load_settings
from pipeline.learning.labelled import labelled_lake
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model import Model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish

SETTINGS = load_settings()
UPSTREAM = (
    ("sees_pv", True), ("location", "service_entrance"), ("service", "120/240"), ("volts", 120.0), ("cts_per_leg", 1),
    ("pv_added_back", False), ("is_clipped", False), ("battery_wh", 0.0),
)  # fmt: skip
SIZE = 24


@pytest.fixture(scope="module")
def by_nights(tmp_path_factory: pytest.TempPathFactory, model: Model) -> dict[int, pl.DataFrame]:
    """Scores with the truth beside, from the last 3 and the last 30 days of one fleet, half of it partial."""
    root = tmp_path_factory.mktemp("few")
    spec = FleetSpec(
        SIZE, 30, 15, 77, date(2026, 6, 14), hard_share=0.0, plain_share=0.0, register_gap_share=0.0
    )
    wishes = {at: Wish("partial" if at % 2 else "", values=UPSTREAM, hard="") for at in range(SIZE)}
    write_lake(spec, root / "lake", wishes=wishes)
    told = {}
    for nights in (3, 30):
        folder = root / str(nights)
        folder.mkdir()
        seen = labelled_lake(root / "lake", folder, nights, settings=SETTINGS)
        # half of a fleet faulty is no majority: what is normal, the sound half says
        sound = seen.signals.filter(pl.Series(seen.fault == SOUND))
        normal = replace(learn_normal(sound, model, SETTINGS.verdict), rate=SETTINGS.verdict.base_rate)
        scores = night_scored(seen.signals, seen.sites, model, SETTINGS, normal).scores
        told[nights] = scores.join(seen.truth.select("site_id", "fault"), on="site_id")
    return told


def middle(scores: pl.DataFrame, fault: str) -> float:
    found = scores.filter(pl.col("fault") == fault)["likelihood"].median()
    assert isinstance(found, float)
    return found


def test_thirty_nights_tell_faulty_from_sound_further_apart(by_nights: dict[int, pl.DataFrame]) -> None:
    few, many = by_nights[3], by_nights[30]

    assert middle(few, SOUND) > middle(many, SOUND)
    assert middle(few, "partial") < middle(many, "partial")
    # well past suspect, not 0.9: how sure a likelihood is at the usual share is the calibration's, over unseen families
    assert middle(many, SOUND) < 0.01 < 0.75 < middle(many, "partial")


def test_three_nights_prove_no_home_sound(by_nights: dict[int, pl.DataFrame]) -> None:
    few = by_nights[3].filter(pl.col("likelihood") < SETTINGS.verdict.suspect)

    assert set(few["verdict"]) == {"unproven"}
    plain = few.filter(pl.col("contradiction").is_null())  # what contradicts a right install is said first
    assert plain.height > SIZE / 3
    assert plain["unproven_why"].str.contains("nights of data").all()
    assert "sound" in set(by_nights[30]["verdict"])


def test_likelihoods_of_faults_and_sound_sum_to_one(by_nights: dict[int, pl.DataFrame]) -> None:
    for scores in by_nights.values():
        total = scores.select(pl.sum_horizontal(pl.col("fault_likelihoods").struct.unnest()))

        assert (total.to_series() - 1).abs().max() < 1e-9
