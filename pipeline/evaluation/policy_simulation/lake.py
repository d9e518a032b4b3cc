"""The lake that a policy's nights read: each home's rows as installed, and right from the hour it was put right."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import Visit
from pipeline.evaluation.policy_simulation.world import World
from pipeline.storage.publish import write_csv


def write_day(lake: Path, world: World, ledger: pl.DataFrame, day: date) -> None:
    """Put together a day of the lake, unless it is there; a part in which nothing was put right is a link.

    `ledger` (crew.LEDGER) must know all that was put right by that day.
    """
    folder = lake / "intervals" / f"date={day}"
    if folder.is_dir():
        return
    right_from = ledger.filter("is_put_right").select("site_id", "right_from")
    touched = dict(world.homes.join(right_from, on="site_id").group_by("part").agg("site_id").iter_rows())
    building = folder.with_name(f".{folder.name}")
    shutil.rmtree(building, ignore_errors=True)
    building.mkdir(parents=True)
    for at, part in ((int(file.stem.removeprefix("part-")), file) for file in world.parts(str(day))):
        target = building / part.name
        right = world.right(str(day), part)
        if at in touched and right.is_file():
            rows = mixed(pl.read_parquet(part), pl.read_parquet(right), right_from)
            rows.write_parquet(target, compression="zstd", row_group_size=max(rows.height, 1))
        else:
            os.link(part, target)
    building.rename(folder)


def mixed(installed: pl.DataFrame, right: pl.DataFrame, right_from: pl.DataFrame) -> pl.DataFrame:
    """Return the installed rows, and from `right_from` (site_id, right_from [UTC]) on the right ones in their place."""
    start = pl.col("interval_start").dt.replace_time_zone(None)
    is_right = (start >= pl.col("right_from")).fill_null(False)
    old = installed.join(right_from, on="site_id", how="left", maintain_order="left").filter(~is_right)
    new = right.join(right_from, on="site_id", maintain_order="left").filter(is_right)
    rows = pl.concat([old, new]).drop("right_from")
    return rows.sort("site_id", "interval_start", maintain_order=True)


def write_registers(lake: Path, world: World, ledger: pl.DataFrame) -> None:
    """Write sites.csv, crews.csv and visits.csv as they stand after the ledger; a record put right says the truth."""
    lake.mkdir(parents=True, exist_ok=True)
    right = ledger.filter("is_put_right")["site_id"].implode()
    as_installed = world.sites(is_right=False).filter(~pl.col("site_id").is_in(right))
    corrected = world.sites(is_right=True).filter(pl.col("site_id").is_in(right))
    _put(pl.concat([as_installed, corrected]).sort("site_id"), lake / "sites.csv")
    columns = [name for name in Visit.column_names() if name in ledger.columns]
    _put(ledger.filter(pl.col("found").is_not_null()).select(columns), lake / "visits.csv")
    shutil.copyfile(world.root / "crews.csv", lake / "crews.csv")


def forget_days(lake: Path, kept: Iterable[date]) -> None:
    """Remove the days of the lake that are older than the oldest of `kept`."""
    oldest = min(kept)
    for folder in (lake / "intervals").glob("date=*"):
        if date.fromisoformat(folder.name.removeprefix("date=")) < oldest:
            shutil.rmtree(folder)


def _put(table: pl.DataFrame, path: Path) -> None:
    part = path.with_name(f".{path.name}.part")
    write_csv(table, part)
    os.replace(part, path)
