"""What a home's story rests on and is no longer in the lake or the registers: the story says so, with its day.

The lines that were told stay. The tables of the run before are the memory of what they rested on.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.alarm import MOST_NAMED

TAKEN_BACK = "taken back"
EVENT = pl.Schema(
    {"site_id": pl.String, "happened_on": pl.Date, "what": pl.String, "key": pl.String, "told": pl.String}
)
_HOME_GONE = "home gone"
_NO_HOME = "taken back: the register of homes has no usable row of the home any more, and it is not judged"


def taken_back(
    previous: Path | None,
    story: pl.DataFrame | None,
    *,
    homes: pl.DataFrame,
    visits: pl.DataFrame,
    days_gone: Sequence[str],
    as_of: date,
) -> pl.DataFrame:
    """Return the events (EVENT) of the night `as_of` at homes with a story whose cause is gone, or is back.

    A home that left the register of homes; a visit that left the register of visits, is at another home, or has
    another day; and, at homes that were listed, days whose data left the midst of the lake.

    Parameters
    ----------
    previous
        Folder of the run before; None on the first night.
    story
        Its table home_story.
    homes
        `site_id` of the register of homes.
    visits
        The register of visits, none later than the night.
    days_gone
        UTC days that the run before had and that are no longer in the lake.
    as_of
        The night, the day on which this is noticed.
    """
    files = {name: previous / f"{name}.parquet" for name in ("visits", "standing")} if previous else {}
    if previous is None or story is None or not all(file.is_file() for file in files.values()):
        return pl.DataFrame(schema=EVENT)
    told = story.select("site_id").unique()
    homes = homes.select("site_id")
    standing = pl.read_parquet(files["standing"], columns=["site_id", "is_listed"], glob=False)
    known = pl.read_parquet(files["visits"], columns=["visit_id", "site_id", "visited_on"], glob=False)
    here = known.join(homes, on="site_id", how="semi")
    parts = [
        _homes(standing, homes, story),
        _visits_gone(here, visits),
        _visits_back(known, visits, story),
        _data_gone(standing.filter("is_listed").join(homes, on="site_id", how="semi"), days_gone, previous.name),
    ]  # fmt: skip
    return (
        pl.concat(parts)
        .join(told, on="site_id", how="semi")
        .with_columns(
            happened_on=pl.lit(as_of), what=pl.lit(TAKEN_BACK), key=pl.format("{} {}", "key", pl.lit(as_of))
        )
        .select(EVENT.names())
        .cast(EVENT)
    )


def _homes(standing: pl.DataFrame, homes: pl.DataFrame, story: pl.DataFrame) -> pl.DataFrame:
    is_gone = (pl.col("what") == TAKEN_BACK) & pl.col("key").str.starts_with(_HOME_GONE)
    back = story.filter(is_gone).select("site_id").unique().join(homes, on="site_id", how="semi")
    return pl.concat(
        [
            standing.join(homes, on="site_id", how="anti").select(
                "site_id",
                key=pl.lit(_HOME_GONE),
                told=pl.lit(_NO_HOME),
            ),
            back.join(standing, on="site_id", how="anti").select(
                "site_id",
                key=pl.lit("home back"),
                told=pl.lit("the home is in the register of homes again, and is judged as a new one"),
            ),
        ]
    )  # fmt: skip


def _visits_gone(known: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    now = visits.select("visit_id", site_now="site_id", day_now="visited_on").unique("visit_id")
    is_elsewhere = pl.col("site_now") != pl.col("site_id")
    why = (
        pl.when(pl.col("site_now").is_null()).then(pl.lit("the register of visits has no usable row of it any more"))
        .when(is_elsewhere).then(pl.format("the register has it at home {} now", "site_now"))
        .otherwise(pl.format("the register has it on {} now", "day_now"))
    )  # fmt: skip
    return (
        known.join(now, on="visit_id", how="left")
        .filter(
            pl.col("site_now").is_null() | is_elsewhere | (pl.col("day_now").ne_missing(pl.col("visited_on")))
        )
        .select(
            "site_id",
            key=pl.format("visit gone {} {}", "visit_id", "visited_on"),
            told=pl.format("taken back: visit {} of {}; {}", "visit_id", "visited_on", why),
        )
    )


def _visits_back(known: pl.DataFrame, visits: pl.DataFrame, story: pl.DataFrame) -> pl.DataFrame:
    """Return the visits that were taken back and are as they were: their own line is not told a second time."""
    same = ["site_id", "visit_id", "visited_on"]
    gone = story.filter(pl.col("what") == TAKEN_BACK).select("site_id", "key")
    key = pl.format("visit gone {} {}", "visit_id", "visited_on")
    back = visits.select(same).join(known, on=same, how="anti").with_columns(gone_key=key)
    was_gone = gone.with_columns(
        gone_key=pl.col("key").str.replace(r" \S+$", "")
    )  # without the day it was noticed
    return back.join(was_gone.unique(["site_id", "gone_key"]), on=["site_id", "gone_key"], how="semi").select(
        "site_id",
        key=pl.format("visit back {} {}", "visit_id", "visited_on"),
        told=pl.format("visit {} of {} is in the register of visits again", "visit_id", "visited_on"),
    )


def _data_gone(listed: pl.DataFrame, days_gone: Sequence[str], night: str) -> pl.DataFrame:
    """Return the loss at the homes that were listed: of theirs the story says why they are."""
    if not days_gone:
        listed = listed.clear()
    more = f" and {len(days_gone) - MOST_NAMED} more" if len(days_gone) > MOST_NAMED else ""
    named = ", ".join(list(days_gone)[-MOST_NAMED:]) + more
    return listed.select(
        "site_id",
        key=pl.lit("data gone"),
        told=pl.lit(f"taken back: the data of {named}, which the night of {night} used, are no longer in the lake"),
    )  # fmt: skip
