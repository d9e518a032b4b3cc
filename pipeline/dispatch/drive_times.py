"""LAKE/drive_times.csv: minutes on the road that the user knows better than a great circle does."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError
from pipeline.dispatch.opened import read_texts
from pipeline.dispatch.trucks import Truck
from pipeline.ingest.csv_reader import ROW
from pipeline.ingest.normalize import nearest

COLUMNS = ("from_site", "to_site", "minutes")
START = "start"


@dataclass(frozen=True)
class DriveTimes:
    """What the file gave: `supplied` (from, to) -> minutes, by index of place; pairs of strangers counted."""

    supplied: dict[tuple[int, int], float]
    strange: int


def read_drive_times(
    path: Path, stops: Sequence[str], trucks: Sequence[Truck], sites: Collection[str]
) -> DriveTimes:
    """Return the supplied minutes between the stops (0, 1, ...) and the trucks' starts (after them).

    A place is a site_id, a truck_id for where that truck starts, or "start" for where every truck does that has
    no row of its own. Pairs of homes that are in the register (`sites`) but not stops are not used; `strange`
    counts pairs that name what is neither.

    Raises
    ------
    InputError
        The file can't be read, a row has no proper number, a pair is there twice with other minutes, or a name
        is both a home's and a truck's.
    """
    rows = _rows(path)
    ids = [truck.truck_id for truck in trucks]
    for name in (START, *ids):
        if name in sites and (rows["from_site"].eq(name) | rows["to_site"].eq(name)).any():
            raise InputError(f"{path}: '{name}' is a home as well as a start point; rename the truck or home")
    places: dict[str, list[int]] = {site: [at] for at, site in enumerate(stops)}
    places |= {START: [len(stops) + at for at in range(len(trucks))]}
    places |= {truck_id: [len(stops) + at] for at, truck_id in enumerate(ids)}
    known = {START, *ids, *sites}
    given: dict[tuple[int, int], float] = {}
    strange = 0
    # rows of a truck come last, so that they win over those of "start"
    for source, to, minutes in rows.sort(pl.col("from_site").eq(START) | pl.col("to_site").eq(START),
                                         descending=True, maintain_order=True).iter_rows():  # fmt: skip
        strange += source not in known or to not in known
        for start in places.get(source, []):
            for end in places.get(to, []):
                given[start, end] = minutes
    return DriveTimes(given, strange)


def _rows(path: Path) -> pl.DataFrame:
    texts = read_texts(path)
    for name in COLUMNS:
        if name not in texts.columns:
            raise InputError(f"{path}: no column {name}{nearest(name, texts.columns)}")
    typed = texts.select(
        ROW,
        pl.col("from_site", "to_site").str.strip_chars(),
        pl.col("minutes").str.strip_chars().cast(pl.Float64, strict=False),
        text="minutes",
    )
    is_bad = (
        ~pl.col("minutes").is_finite().fill_null(False)
        | (pl.col("minutes") < 0)
        | pl.any_horizontal(pl.col("from_site", "to_site").fill_null("") == "")
    )
    wrong = typed.filter(is_bad)
    if wrong.height:
        row = wrong.row(0, named=True)
        raise InputError(
            f"{path} row {row[ROW]}: from '{row['from_site']}' to '{row['to_site']}' takes '{row['text']}' minutes; "
            "both names and a number from 0 on are needed"
        )
    said = typed.group_by("from_site", "to_site", maintain_order=True).agg(
        pl.col("minutes").n_unique().alias("differ"), pl.col(ROW).last()
    )
    twice = said.filter(pl.col("differ") > 1)
    if twice.height:
        row = twice.row(0, named=True)
        raise InputError(
            f"{path} row {row[ROW]}: '{row['from_site']}' to '{row['to_site']}' is there before with other minutes; "
            "keep one"
        )
    return typed.select(COLUMNS).unique(("from_site", "to_site"), keep="first", maintain_order=True)
