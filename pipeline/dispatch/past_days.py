"""Days of a plan that are gone when it is made again: trucks went out by them, so they stay as they were planned."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.dispatch.plan import DISPATCH, TRUCK_DAYS


@dataclass(frozen=True)
class PastDays:
    """The rows of `dispatch` and `truck_days` of days gone, and their truck pages."""

    dispatch: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=DISPATCH))
    truck_days: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=TRUCK_DAYS))
    pages: tuple[Path, ...] = ()

    @property
    def days(self) -> list[date]:
        """The days, sorted."""
        days: list[date] = self.dispatch["day"].unique().sort().to_list()
        return days

    def copy_pages(self, folder: Path) -> None:
        """Copy the truck pages into `folder`."""
        for page in self.pages:
            shutil.copyfile(page, folder / page.name)


def read_past_days(folder: Path, before: date) -> PastDays:
    """Return the days before `before` of the plan in `folder`; none where there is no readable plan."""
    tables = {}
    for name, schema in (("dispatch", DISPATCH), ("truck_days", TRUCK_DAYS)):
        file = folder / f"{name}.parquet"
        if not file.is_file():
            tables[name] = pl.DataFrame(schema=schema)
            continue
        rows = pl.read_parquet(file, glob=False).filter(pl.col("day") < before)
        # a plan of an earlier version has fewer columns
        tables[name] = pl.concat([pl.DataFrame(schema=schema), rows], how="diagonal_relaxed").select(
            schema.names()
        )
    days = [str(day) for day in tables["dispatch"]["day"].unique().sort()]
    pages = tuple(page for day in days for page in sorted(folder.glob(f"{day}-*.html")))
    return PastDays(tables["dispatch"], tables["truck_days"], pages)
