"""Stages of a correction that can be checked by hand, and a run that is published as far as they need it."""

from __future__ import annotations

import json
import os
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
from lakes import DAY

from pipeline.core.settings import Settings
from pipeline.correction.layout import AS_REPORTED, CORRECTED, EMPTY, EPISODE, ESTIMATED, EXACT, SUSPECTED
from pipeline.correction.stages import Correct, Findings, PublishedNight, Stages
from pipeline.correction.write_statement import StatementSummary

# What `correct_rows` does by fault: a turned leg is exact, a dead one empty, a part is estimated.
METHODS = {"reversed": EXACT, "dead": EMPTY, "partial": ESTIMATED}


def episode(site_id: str, from_on: date, to_on: date | None = None, **values: Any) -> dict[str, Any]:
    """A row of table EPISODE: L1 turned, unless said otherwise."""
    given = {"fault": "reversed", "leg": "l1", "likelihood": 0.9, "basis": SUSPECTED, **values}
    return dict.fromkeys(EPISODE) | given | {"site_id": site_id, "from_on": from_on, "to_on": to_on}


DAYS = [DAY + timedelta(days=number) for number in range(4)]
# Home a is turned on all of them, b dead on two.
A, B = episode("a", DAYS[0]), episode("b", DAYS[1], DAYS[2], fault="dead")
THIRD_HOME = "c,America/Denver,39.9,-105.2,north,120/240,100,5.0,false,c1,2024-02-01\n"


def episode_table(*rows: dict[str, Any]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=EPISODE)


def correct_rows(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    """The first leg's sign turned; empty where it is dead; as reported before 01:00."""
    told = rows.with_columns(day=pl.col("interval_start").dt.date()).join_asof(
        episodes.select("site_id", "from_on", "fault", "leg", "likelihood").sort("site_id", "from_on"),
        left_on="day", right_on="from_on", by="site_id", check_sortedness=False,
    )  # fmt: skip
    is_early = pl.col("interval_start").dt.hour() < 1
    method = pl.when(is_early).then(pl.lit(AS_REPORTED)).otherwise(pl.col("fault").replace_strict(METHODS))
    factor = pl.when(pl.col("method") == AS_REPORTED).then(1.0).when(pl.col("method") != EMPTY).then(-1.0)
    made = (
        told.with_columns(method=method)
        .with_columns(*(pl.col(f"{name}_w").alias(f"{name}_w_reported") for name in ("l1", "l2", "pv")))
        .with_columns(factor_l1=factor, is_corrected=pl.col("method") != AS_REPORTED)
        .with_columns(l1_w=pl.col("l1_w") * pl.col("factor_l1"))
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in CORRECTED.items() if name not in made.columns]
    return made.with_columns(missing).select(CORRECTED.names())


def write_index(
    corrected: Path, episodes: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, settings: Settings
) -> StatementSummary:
    """A page that counts the homes."""
    index = corrected / "report" / "index.html"
    index.parent.mkdir(exist_ok=True)
    index.write_text(f"{episodes['site_id'].n_unique()} homes")
    return StatementSummary(
        homes=episodes["site_id"].n_unique(),
        kwh_reported=1.0,
        kwh_corrected=2.0,
        not_corrected=0,
        index=index,
    )


def stages_of(*rows: dict[str, Any], correct: Correct = correct_rows) -> Stages:
    """Stages that find these episodes and correct by hand."""

    def find(night: PublishedNight) -> Findings:
        return Findings(episode_table(*rows), correct)

    return Stages(find, write_index)


def publish_run(out: Path, as_of: date) -> Path:
    """Have OUT/latest lead to a run of that day, of which only run.json is there."""
    folder = out / "runs" / str(as_of)
    folder.mkdir(parents=True)
    (folder / "run.json").write_text(json.dumps({"as_of": str(as_of)}))
    link = out / "latest"
    link.unlink(missing_ok=True)
    os.symlink(Path("runs") / str(as_of), link)
    return folder


def home_rows(out: Path, day: date) -> pl.DataFrame:
    """The corrected rows of a day."""
    return pl.read_parquet(day_file(out, day), hive_partitioning=False)


def day_file(out: Path, day: date) -> Path:
    return out / "corrected" / f"date={day}" / "corrected.parquet"


def homes_in(out: Path, day: date) -> list[str]:
    return home_rows(out, day)["site_id"].unique().sort().to_list()


def changed_days(out: Path, before: dict[str, bytes]) -> list[date]:
    """The days of DAYS whose file is another than in `contents` before."""
    after = contents(out / "corrected")
    names = {day: f"date={day}/corrected.parquet" for day in DAYS}
    return [day for day, name in names.items() if before.get(name) != after.get(name)]


def contents(folder: Path) -> dict[str, bytes]:
    """The bytes of each file, hidden ones too; of correct.json all but the seconds."""
    held = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = str(path.relative_to(folder))
        held[name] = path.read_bytes()
        if name == "correct.json":
            record = json.loads(held[name])
            record.pop("seconds")
            held[name] = json.dumps(record).encode()
    return held


def times(folder: Path) -> dict[str, int]:
    """When each file was written [ns]."""
    return {str(path): path.stat().st_mtime_ns for path in folder.rglob("*") if path.is_file()}
