"""`nightclamp train LAKE` on a small fleet: from the lake to a model on disk and to the night that takes it or not."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands import cli
from pipeline.core.contract import SOUND
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.ingest.lake import open_lake
from pipeline.learning.fleet_training_set import split_homes
from pipeline.scoring.model_file import load_model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.storage.layout import own_model_folder


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two hundred homes over twelve days of whole hours; forty were visited on the tenth, half of them faulty."""
    root = tmp_path_factory.mktemp("fleet") / "lake"
    write_lake(FleetSpec(200, days=12, minutes=60, seed=9, fault_share=0.15, onset_share=0.0), root)
    truth = pl.read_csv(root / "truth.csv", infer_schema_length=None).select(
        "site_id", found="fault", leg="leg"
    )
    chosen = pl.concat(
        [truth.filter(pl.col("found") != SOUND)[:20], truth.filter(pl.col("found") == SOUND)[:20]]
    )
    chosen.select(
        pl.format("V{}", pl.int_range(pl.len())).alias("visit_id"),
        "site_id",
        pl.lit(open_lake(root).days()[9]).alias("visited_on"),
        pl.lit(None, dtype=pl.String).alias("crew_id"),
        "found",
        "leg",
        pl.lit(False).alias("fixed"),
        pl.lit(None, dtype=pl.String).alias("note"),
    ).write_csv(root / "visits.csv")
    return root


def test_a_part_without_homes_is_told() -> None:
    homes = pl.DataFrame({"site_id": [f"home {at}" for at in range(40)], "is_clean": [True] * 40})
    own = load_settings().own_fleet

    parts = split_homes(homes, own)
    assert sum(part.height for part in parts.values()) == 40
    with pytest.raises(InputError, match="none is left for temper"):
        split_homes(homes, own.model_copy(update={"temper_share": 0.0}))


def command(*words: str | Path) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main([str(word) for word in words])
    assert left.value.code == 0


@pytest.mark.heavy
def test_a_fleet_of_its_own_from_lake_to_night(
    lake: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, value in {"MIN_HOMES": "60", "COPIES": "2", "HOLDS": "[100.0, 300.0]"}.items():
        monkeypatch.setenv(f"NIGHTCLAMP_OWN_FLEET__{name}", value)
    out = tmp_path / "out"
    command("train", lake, "--out", out)
    told = capsys.readouterr().out
    card = json.loads((own_model_folder(out) / "card.json").read_text())

    result = card["against_shipped"]
    assert result["shipped_id"] == card["recipe"]["from"] == load_model().model_id
    assert result["homes"] > 20
    assert result["measures"]["average_precision"]["trained"] > 0.7
    assert sum(card["recipe"]["visits"].values()) == 40
    assert card["recipe"]["base_rate"]["low"] < card["base_rate"] < card["recipe"]["base_rate"]["high"]
    assert sum(card["fault_mix"].values()) == pytest.approx(1, abs=1e-3)
    assert "average precision" in told
    assert f"model {card['model_id']}" in told
    assert not (out / "store" / ".training").exists()

    command("nightly", lake, "--out", out)
    run = json.loads((out / "latest" / "run.json").read_text())
    assert (run["model_id"] == card["model_id"]) is result["is_better"]
    assert run["model"].startswith("trained on this fleet" if result["is_better"] else "shipped, since")
    scores = pl.read_parquet(out / "latest" / "site_scores.parquet")
    assert scores.height == 200
