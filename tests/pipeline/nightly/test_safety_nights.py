"""A loose neutral over real nights: found, called, repaired, and closed by the data since; pages and paper follow."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.commands.home_story import read_home
from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.report.safety_page import safety_page_of
from pipeline.worklist.safety_call_text import CALL_NOW, CALLED, CLEARED, REPAIRED
from pipeline.workorder import write_orders

SAMPLE = Path(__file__).parents[3] / "sample_lake"
LOOSE, OTHERS = "H00049", ("H00004", "H00015", "H00018", "H00020", "H00034", "H00050")
FIRST, REPAIRED_ON, LAST = date(2026, 5, 28), date(2026, 6, 6), date(2026, 6, 14)
SETTINGS = load_settings()


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Some homes of the sample; from the day after the repair on the loose one's voltages stay together."""
    root = tmp_path_factory.mktemp("lake")
    homes = [LOOSE, *OTHERS]
    for name in ("sites", "crews"):
        rows = pl.read_csv(SAMPLE / f"{name}.csv", infer_schema=False)
        rows = rows.filter(pl.col("site_id").is_in(homes)) if name == "sites" else rows
        rows.write_csv(root / f"{name}.csv")
    for folder in sorted((SAMPLE / "intervals").iterdir()):
        day = date.fromisoformat(folder.name.removeprefix("date="))
        if day < FIRST:
            continue
        rows = pl.read_parquet(folder / "part-0000.parquet").filter(pl.col("site_id").is_in(homes))
        if day > REPAIRED_ON:
            is_loose = pl.col("site_id") == LOOSE
            held = {
                f"{leg}_v": pl.when(is_loose).then(121.0 - 0.0001 * pl.col(f"{leg}_w")).otherwise(f"{leg}_v")
                for leg in ("l1", "l2")
            }
            rows = rows.with_columns(**held)
        target = root / "intervals" / folder.name
        target.mkdir(parents=True)
        rows.write_parquet(target / "part-0000.parquet")
    return root


@pytest.fixture(scope="module")
def nights(lake: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """What is published after each night of the story, by what the register says."""
    out = tmp_path_factory.mktemp("out")
    register = {
        "found": (date(2026, 6, 5), None),
        "called": (REPAIRED_ON, ""),
        "repaired": (date(2026, 6, 7), str(REPAIRED_ON)),
        "closed": (LAST, str(REPAIRED_ON)),
    }
    told = {}
    for name, (as_of, repaired) in register.items():
        if repaired is not None:
            row = f"{LOOSE},2026-06-05,{repaired},ask for Ms Example\n"
            (lake / "safety_calls.csv").write_text(
                f"site_id,called_on,repaired_on,note\n{row}", encoding="utf-8"
            )
        result = run_night(NightRequest(lake, out, as_of), SETTINGS)
        run = out / "runs" / str(as_of)
        told[name] = {
            "run": run, "call": result.safety_call.row(0, named=True), "counts": result.counts,
            "score": pl.read_parquet(run / "site_scores.parquet").filter(pl.col("site_id") == LOOSE).row(0, named=True),
            "has_page": (run / "report" / safety_page_of(LOOSE)).is_file(),
            "index": (run / "report" / "index.html").read_text(encoding="utf-8"),
            "explained": " ".join(read_home(LOOSE, out, SETTINGS).text().split()),
            "sheets": [path.name for path in write_orders(out, (), SETTINGS) if path.name.startswith("safety-")],
        }  # fmt: skip
    return told


@pytest.mark.parametrize(
    ("night", "status"),
    [("found", CALL_NOW), ("called", CALLED), ("repaired", REPAIRED), ("closed", CLEARED)],
)
def test_every_night_tells_where_the_call_stands(
    night: str, status: str, nights: dict[str, dict[str, Any]]
) -> None:
    told = nights[night]
    is_open = status != CLEARED
    assert (told["call"]["site_id"], told["call"]["status"]) == (LOOSE, status)
    assert told["call"]["since"] == date(2026, 6, 5)
    assert told["counts"]["safety_calls"] == is_open
    assert told["has_page"] == is_open
    assert len(told["sheets"]) == is_open
    assert (told["score"]["verdict"] == "safety") == is_open
    assert (f"<b>{status}</b>" in told["index"]) == is_open
    assert ("SAFETY CALL FIRST" in told["explained"]) == is_open
    assert f"safety call, {status}" in told["explained"]  # the story keeps it


def test_only_data_since_the_repair_speak(nights: dict[str, dict[str, Any]]) -> None:
    assert nights["called"]["score"]["is_neutral_suspect"]
    assert nights["repaired"]["call"][
        "told"
    ] == "Repaired on 2026-06-06, as recorded; 1 night of data since " + (
        f"don't show it, {SETTINGS.verdict.neutral_clear_nights} are needed"
    )
    closed = nights["closed"]["score"]
    assert closed["from_on"] == date(2026, 6, 7)
    assert closed["neutral_v_per_kw"] < 0.3
    assert nights["closed"]["call"]["v_per_kw"] > 4  # as the last night that showed it measured


def test_what_is_published_keeps_the_note_to_itself(nights: dict[str, dict[str, Any]]) -> None:
    run = nights["called"]["run"]
    texts = [run / "safety_call.csv", run / "run.json", *(run / "report").rglob("*.html")]
    assert [path.name for path in texts if "Ms Example" in path.read_text(encoding="utf-8")] == []
    counts = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert (counts["counts"]["safety_calls"], counts["verdicts"]["safety"]) == (1, 1)
    days = pl.read_parquet(run / "safety_day.parquet")
    assert set(days["site_id"]) == {LOOSE}
    assert days.height == 10
