"""What came after a past night is not known to it: visits, calls, repairs, trainings, homes."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, SITES, VISITS, build_lake, put, rows

from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model

LAST = DAY + timedelta(days=3)


def on(day: int) -> date:
    return DAY + timedelta(days=day)


@pytest.fixture
def run_of(tmp_path: Path, model: Model):
    """Tables of the night of a day: home c is commissioned on the third day, when its rows begin."""
    late = f"c,America/Denver,39.7,-105.0,north,120/240,200,7.6,true,c1,{on(2)}\n"
    visits = f"v1,a,{on(0)},c1,sound,,,\nv2,b,{on(2)},c1,dead,l1,true,\n"
    root = build_lake(tmp_path / "lake", SITES + late, visits=VISITS + visits)
    (root / "trainings.csv").write_text(f"crew_id,trained_on,topic\nc1,{on(0)},\nc1,{on(3)},\n")
    calls = f"site_id,called_on,repaired_on,note\na,{on(0)},{on(2)},\nb,{on(3)},,\n"
    (root / "safety_calls.csv").write_text(calls)
    for number in range(4):
        homes = ("a", "b", "c") if number >= 2 else ("a", "b")
        put(root, "all.parquet", pl.concat([rows(home, on(number)) for home in homes]), on(number))
    save_model(model, tmp_path / "model")

    def run(day: int) -> dict[str, pl.DataFrame]:
        made = run_night(
            NightRequest(root, tmp_path / "out", on(day), model=tmp_path / "model"), load_settings()
        )
        return {path.stem: pl.read_parquet(path) for path in made.folder.glob("*.parquet")}

    return run


def test_a_past_night_knows_what_was_known_then_and_the_newest_all(run_of) -> None:
    then, now = run_of(1), run_of(3)

    assert then["visits"]["visit_id"].to_list() == ["v1"]
    assert now["visits"]["visit_id"].to_list() == ["v1", "v2"]
    assert then["site_scores"]["site_id"].to_list() == ["a", "b"]
    assert now["site_scores"]["site_id"].to_list() == ["a", "b", "c"]
    assert then["crew_training"]["trained_on"].to_list() == [on(0)]
    assert now["crew_training"]["trained_on"].to_list() == [on(0), on(3)]
    assert then["safety_call"].filter("is_open")["site_id"].to_list() == ["a"]
    assert "repaired_on 2025-06-03 lies after the as-of day" not in then["rejects"]["reason"].to_list()
    assert now["rejects"].is_empty()
    assert now["night_count"]["homes"].to_list() == [2, 3]


def test_the_night_is_the_same_before_what_follows_has_come(run_of, tmp_path: Path) -> None:
    """Made again when the lake has more days, a night says what it said."""
    first = run_of(1)
    again = run_of(1)
    for name in (
        "site_scores",
        "standing",
        "home_story",
        "promise",
        "safety_call",
        "crew_quality",
        "night_count",
    ):
        assert again[name].equals(first[name]), name
