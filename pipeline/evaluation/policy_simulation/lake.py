"""The lake that a policy's nights read: each home's rows as installed, and right from the hour it was put right."""

from __future__ import annotations

import os
import shutil
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.contract import Visit
from pipeline.evaluation.policy_simulation.world import World
from pipeline.storage.publish import write_csv


def write_day(lake: Path, world: World, ledger: pl.DataFrame, *, day: date) -> None:
    """Put together a day of the lake, unless it is there; a part in which nothing was put right is a link.

    Parameters
    ----------
    lake
        Its folder.
    world
        The fleet as installed and right.
    ledger
        crew.LEDGER; it must know all that was put right by that day.
    day
        The UTC day.
    """
    folder = lake / "intervals" / f"date={day}"
    if folder.is_dir():
        return
    right_from = ledger.filter("is_put_right").select("site_id", "right_from")
    corrected_parts = set(world.homes.join(right_from, on="site_id")["part"])
    building = folder.with_name(f".{folder.name}")
    shutil.rmtree(building, ignore_errors=True)
    building.mkdir(parents=True)
    for part in world.parts(day):
        right = world.right(day, part)
        if int(part.stem.removeprefix("part-")) in corrected_parts and right.is_file():
            rows = correct_rows(pl.read_parquet(part), pl.read_parquet(right), right_from)
            rows.write_parquet(building / part.name, compression="zstd", row_group_size=max(rows.height, 1))
        else:
            os.link(part, building / part.name)
    building.rename(folder)


def correct_rows(installed: pl.DataFrame, right: pl.DataFrame, right_from: pl.DataFrame) -> pl.DataFrame:
    """Return the installed rows, and from `right_from` (site_id, right_from [UTC]) on the right ones in their place."""
    start = pl.col("interval_start").dt.replace_time_zone(None)
    is_right = (start >= pl.col("right_from")).fill_null(False)
    before = installed.join(right_from, on="site_id", how="left", maintain_order="left").filter(~is_right)
    after = right.join(right_from, on="site_id", maintain_order="left").filter(is_right)
    rows = pl.concat([before, after]).drop("right_from")
    return rows.sort("site_id", "interval_start", maintain_order=True)


def write_registers(lake: Path, world: World, ledger: pl.DataFrame) -> None:
    """Write sites.csv, crews.csv and visits.csv as they stand after the ledger; a record put right says the truth."""
    lake.mkdir(parents=True, exist_ok=True)
    is_right = pl.col("site_id").is_in(ledger.filter("is_put_right")["site_id"].implode())
    as_installed, corrected = (world.sites(is_right=is_corrected) for is_corrected in (False, True))
    sites = pl.concat([as_installed.filter(~is_right), corrected.filter(is_right)]).sort("site_id")
    columns = [name for name in Visit.column_names() if name in ledger.columns]
    visits = ledger.filter(pl.col("found").is_not_null()).select(columns)
    for name, table in (("sites.csv", sites), ("visits.csv", visits)):
        part = lake / f".{name}.part"
        write_csv(table, part)
        os.replace(part, lake / name)
    shutil.copyfile(world.root / "crews.csv", lake / "crews.csv")


def remove_days_before(folder: Path, oldest: date) -> None:
    """Remove the days of a lake's or a store's tables below `folder` (FOLDER/TABLE/date=D) older than `oldest`."""
    for day in folder.glob("*/date=*"):
        if date.fromisoformat(day.name.removeprefix("date=")) < oldest:
            shutil.rmtree(day)
