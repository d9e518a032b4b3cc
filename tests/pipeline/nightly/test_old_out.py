"""An OUT of the first format, as a version without format.json left it, is read, gone on from and worked with.

tests/data/out_format_1.tar.xz is the sample's OUT after the nights of its third and second last day, a plan and
corrected readings, without pages, nightclamp.duckdb and most days of the store, which are worked out anew.
"""

from __future__ import annotations

import json
import shutil
import tarfile
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands.home_story import read_home
from pipeline.core.settings import load_settings
from pipeline.correction.findings import shipped_stages
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.dispatch.run import dispatch_night
from pipeline.nightly.backfill import BackfillRequest, backfill
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.storage.out_format import FORMAT, read_format
from pipeline.workorder import write_orders

ROOT = Path(__file__).parents[3]
LAKE, ARCHIVE = ROOT / "sample_lake", ROOT / "tests" / "data" / "out_format_1.tar.xz"
FIRST, LAST = date(2026, 6, 12), date(2026, 6, 14)
SETTINGS = load_settings()
pytestmark = pytest.mark.heavy


def unpacked(folder: Path) -> Path:
    with tarfile.open(ARCHIVE) as archive:
        archive.extractall(folder, filter="data")
    return folder / "out"


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The old OUT, untouched."""
    return unpacked(tmp_path_factory.mktemp("old"))


@pytest.fixture(scope="module")
def gone_on(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The old OUT after the sample's last night by this version."""
    out = unpacked(tmp_path_factory.mktemp("gone_on"))
    run_night(NightRequest(LAKE, out), SETTINGS)
    return out


def table(out: Path, name: str) -> pl.DataFrame:
    return pl.read_parquet(out / "latest" / f"{name}.parquet")


def test_whoever_only_reads_it_finds_all_there_and_leaves_it_as_it_is(old: Path) -> None:
    before = sorted(str(path.relative_to(old)) for path in old.rglob("*"))
    home = table(old, "revisit_list")["site_id"][0]

    story = read_home(home, old, SETTINGS)

    assert story.as_of == date(2026, 6, 13)
    assert "2026-06-12" in story.text()
    assert sorted(str(path.relative_to(old)) for path in old.rglob("*")) == before


def test_the_next_night_goes_on_from_it_and_published_runs_stay(gone_on: Path, old: Path) -> None:
    run = json.loads((gone_on / "latest" / "run.json").read_text())

    assert (read_format(old), read_format(gone_on)) == (1, FORMAT)
    assert (run["as_of"], run["previous_run"]) == (str(LAST), "2026-06-13")
    assert table(gone_on, "night_count")["as_of"].to_list() == [FIRST, date(2026, 6, 13), LAST]
    for file in sorted(old.glob("runs/.whole/*/*.parquet")):
        assert (gone_on / file.relative_to(old)).read_bytes() == file.read_bytes(), file.name


def test_stories_go_on_as_in_a_chain_made_wholly_by_this_version(
    gone_on: Path, old: Path, tmp_path: Path
) -> None:
    """Each event and its day, what was predicted and what became of each home; with the same plan of days."""
    backfill(BackfillRequest(LAKE, tmp_path, FIRST, date(2026, 6, 13)), SETTINGS)
    shutil.copytree(old / "dispatch", tmp_path / "dispatch")
    backfill(BackfillRequest(LAKE, tmp_path, LAST), SETTINGS)
    columns = ["site_id", "happened_on", "told_on", "what", "key"]

    def events(out: Path) -> pl.DataFrame:
        return table(out, "home_story").select(columns)

    assert events(gone_on).rows() == events(tmp_path).rows()
    assert events(gone_on).filter(pl.col("what") == "plan").height
    for name, known in (
        ("promise", ["visit_id", "promised_on"]),
        ("promise_book", ["site_id", "promised_on"]),
    ):
        assert table(gone_on, name).select(known).rows() == table(tmp_path, name).select(known).rows()
    now, then = (table(out, "standing").select("site_id", "is_listed") for out in (gone_on, tmp_path))
    assert now.rows() == then.rows()


def test_orders_plans_and_corrections_work_on_it(tmp_path: Path) -> None:
    out = unpacked(tmp_path)
    home = table(out, "revisit_list")["site_id"][0]

    write_orders(out, (home,), SETTINGS)
    assert list((out / "orders" / "2026-06-13").glob("*.html"))
    planned = dispatch_night(LAKE, out, SETTINGS)
    assert planned.folder == out / "dispatch" / "2026-06-13"
    before = pl.read_parquet(out / "corrected" / "episode.parquet")
    result = correct_lake(CorrectionRequest(LAKE, out), SETTINGS, shipped_stages())
    keys = ["site_id", "fault", "leg", "from_on", "to_on"]
    assert result.as_of == date(2026, 6, 13)
    assert result.episodes.select(keys).rows() == before.select(keys).rows()
    assert read_format(out) == FORMAT
