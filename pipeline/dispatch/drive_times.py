"""LAKE/drive_times.csv: minutes on the road that the user knows better than a great circle does."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError
from pipeline.dispatch.trucks import Truck, read_texts
from pipeline.ingest.csv_reader import ROW
from pipeline.ingest.plain_texts import plain

COLUMNS = ("from_site", "to_site", "minutes")
START = "start"


def read_drive_times(
    path: Path, stops: Sequence[str], trucks: Sequence[Truck], *, sites: Collection[str]
) -> tuple[dict[tuple[int, int], float], int]:
    """Return the minutes (from, to) -> minutes by index of place, and how many rows name an unknown place.

    A place is a site_id, a truck_id for where that truck starts, or "start" for where every truck does that has
    no row of its own. Pairs of homes that are in the register but not stops are not used.

    Parameters
    ----------
    path
        A drive_times.csv.
    stops, trucks
        The places: stops 0, 1, ..., after them the trucks' starts.
    sites
        Homes of the register.

    Raises
    ------
    InputError
        The file can't be read, a row has no proper number, a pair is there twice with other minutes, or a name
        is both a home's and a truck's.
    """
    rows = _read_rows(path)
    truck_ids = [truck.truck_id for truck in trucks]
    for name in (START, *truck_ids):
        if name in sites and (rows["from_site"].eq(name) | rows["to_site"].eq(name)).any():
            raise InputError(f"{path}: '{name}' is a home as well as a start point; rename the truck or home")
    places: dict[str, Sequence[int]] = {site: [index] for index, site in enumerate(stops)}
    places[START] = range(len(stops), len(stops) + len(trucks))
    places |= {truck_id: [index] for index, truck_id in enumerate(truck_ids, start=len(stops))}
    known = {START, *truck_ids, *sites}
    supplied: dict[tuple[int, int], float] = {}
    unknown = 0
    # rows of a truck come last, so that they win over those of "start"
    is_start = pl.col("from_site").eq(START) | pl.col("to_site").eq(START)
    for source, to, minutes in rows.sort(is_start, descending=True, maintain_order=True).iter_rows():
        unknown += source not in known or to not in known
        for start in places.get(source, []):
            for end in places.get(to, []):
                supplied[start, end] = minutes
    return supplied, unknown


def _read_rows(path: Path) -> pl.DataFrame:
    rows = read_texts(path, COLUMNS).select(
        ROW,
        plain(pl.col("from_site", "to_site")),
        plain(pl.col("minutes")).cast(pl.Float64, strict=False),
        text="minutes",
    )
    is_bad = (
        ~pl.col("minutes").is_finite().fill_null(False)
        | (pl.col("minutes") < 0)
        | pl.any_horizontal(pl.col("from_site", "to_site").fill_null("") == "")
    )
    for row in rows.filter(is_bad).head(1).iter_rows(named=True):
        raise InputError(
            f"{path} row {row[ROW]}: from '{row['from_site']}' to '{row['to_site']}' takes '{row['text']}' minutes; "
            "both names and a number from 0 on are needed"
        )
    pairs = rows.group_by("from_site", "to_site", maintain_order=True).agg(
        pl.col("minutes").n_unique().alias("values"), pl.col(ROW).last()
    )
    for row in pairs.filter(pl.col("values") > 1).head(1).iter_rows(named=True):
        raise InputError(
            f"{path} row {row[ROW]}: '{row['from_site']}' to '{row['to_site']}' is there before with other minutes; "
            "keep one"
        )
    return rows.select(COLUMNS).unique(("from_site", "to_site"), keep="first", maintain_order=True)
