"""Episodes whose days an earlier run found stand: only new ones are looked for in all of the lake's days."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.correction.history import BY_CHANGE, BY_FIRST_DAY, NO_DATA, NOT_SEEN, service_work
from pipeline.correction.layout import BY_DATA
from pipeline.ingest.registers import Registers

_STORY = ("site_id", "fault", "leg", "basis")
_FOUND = ("from_on", "from_basis", "known_from", "ended_by", "why_not")
_BEGUN = ("from_on", "from_basis", "known_from")
_LOOKED_AT = (NOT_SEEN, NO_DATA)  # why an episode that was looked for in the days has none


def split_known(
    episodes: pl.DataFrame, earlier: pl.DataFrame | None, registers: Registers, *, first_day: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return the episodes that an earlier run dated, with its days, and those that are to be dated.

    Anew where somebody worked at the home since, or the lake reaches further back than it did. What the days didn't
    show stays so.

    Parameters
    ----------
    episodes
        EPISODE of tonight, not dated yet.
    earlier
        Episodes of the run before; None without one.
    registers
        Homes, visits and repairs.
    first_day
        The lake's first UTC day.
    """
    if earlier is None or not {*_STORY, *_FOUND, "to_on"} <= set(earlier.columns):
        return episodes.clear().with_columns(**_blanks()), episodes
    worked = service_work(registers).group_by("site_id").agg(worked_on=pl.col("day").max())
    is_short = (pl.col("from_basis") == BY_FIRST_DAY) & (pl.col("known_from") > first_day)
    standing = (
        earlier.filter(
            (pl.col("why_not").is_null() & pl.col("from_basis").is_not_null() & ~is_short)
            | pl.col("why_not").is_in(_LOOKED_AT)
        )
        .join(worked, on="site_id", how="left")
        .filter((pl.col("worked_on") < pl.col("from_on")).fill_null(True) | pl.col("to_on").is_not_null())
        .select(*_STORY, "to_on", *(pl.col(name).alias(f"{name}_then") for name in _FOUND))
        .unique([*_STORY, "to_on"], keep="first", maintain_order=True)
    )
    keys = [*_STORY, "to_on"]
    known = episodes.join(standing, on=keys, how="inner", nulls_equal=True, maintain_order="left")
    put = {name: f"{name}_then" for name in _FOUND}
    known = known.with_columns(**{name: pl.col(then) for name, then in put.items()}).drop(put.values())
    new = episodes.join(standing.select(keys), on=keys, how="anti", nulls_equal=True, maintain_order="left")
    return known, new


def begun_before(dated: pl.DataFrame, earlier: pl.DataFrame | None) -> pl.DataFrame:
    """Return dated episodes that begin where an earlier run found that they do, if that is before.

    The days that a fault which went away is dated by may reach less far back than those it was found in.

    Parameters
    ----------
    dated
        EPISODE with `from_basis` and `known_from`.
    earlier
        Episodes of the run before; None without one.
    """
    if earlier is None or not {*_STORY, *_BEGUN} <= set(earlier.columns):
        return dated
    then = (
        earlier.filter(pl.col("why_not").is_null(), pl.col("from_basis").is_not_null())
        .select(*_STORY, *(pl.col(name).alias(f"{name}_then") for name in _BEGUN))
        .sort("from_on_then")
        .unique(_STORY, keep="last", maintain_order=True)
    )
    both = dated.join(then, on=_STORY, how="left", nulls_equal=True, maintain_order="left")
    is_earlier = (pl.col("from_on_then") < pl.col("from_on")).fill_null(False)
    put = {name: pl.when(is_earlier).then(f"{name}_then").otherwise(name) for name in _BEGUN}
    return both.with_columns(**put).select(dated.columns)


def whole_days(dated: pl.DataFrame) -> pl.DataFrame:
    """Return dated episodes without the days on which the readings changed: a part of such a day was right."""
    began = pl.col("from_basis") == BY_CHANGE
    is_over = pl.col("ended_by") == BY_DATA
    day = pl.duration(days=1)
    return dated.with_columns(
        from_on=pl.when(began).then(pl.col("from_on") + day).otherwise("from_on"),
        to_on=pl.when(is_over).then(pl.col("to_on") - day).otherwise("to_on"),
    ).filter(pl.col("to_on").is_null() | (pl.col("to_on") >= pl.col("from_on")))


def _blanks() -> dict[str, pl.Expr]:
    return {"from_basis": pl.lit(None, pl.String), "known_from": pl.lit(None, pl.Date)}
