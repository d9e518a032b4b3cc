"""The likelihood of each visited home before the visit, whether or not it was on a list.

A visit to a home that no list named tells most of what the likelihoods miss. Its likelihood is that of the newest night
before the visit, read from that night's scores as soon as the visit is in the register, and carried on from then. A
visit that is recorded after later nights, to a home that was on no list, has none: only the last run is read.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.setting_sections import HitRateSettings

COLUMNS = pl.Schema({"scored_on": pl.Date, "scored_likelihood": pl.Float64, "scored_since": pl.Date})
_NEEDED = {"site_id", "likelihood", "onset_on", "nights"}
_VISIT = ("visit_id", "site_id", "visited_on")


def with_scores(
    promise: pl.DataFrame, earlier: pl.DataFrame | None, run: Path | None, *, settings: HitRateSettings
) -> pl.DataFrame:
    """Return table promise with COLUMNS: night, likelihood, and the day its fault began (null: the first day).

    From the promise; else from the table of the run before, for the same visit; else from that run's own scores, if it
    is of a night before the visit and not more than [hit_rate] late_days before it. All null where there is none.

    Parameters
    ----------
    promise
        Tonight's, without COLUMNS.
    earlier
        Table promise of the run before.
    run
        Folder of that run, named by its night.
    settings
        Section [hit_rate].
    """
    is_near = (pl.col("visited_on") - pl.col("night")).dt.total_days().is_between(1, settings.late_days)
    promised = pl.when(pl.col("promised_on").is_not_null()).then(
        _scored("promised_on", "likelihood", "since")
    )
    return (
        promise.join(_carried(earlier), on=_VISIT, how="left")
        .join(_scores(run, promise), on="site_id", how="left")
        .select(*promise.columns, scored=pl.coalesce(promised, "carried", pl.when(is_near).then("scored")))
        .unnest("scored")
    )


def _scored(*columns: str) -> pl.Expr:
    """Return COLUMNS as one value a row, so that they are taken from one source together, nulls and all."""
    return pl.struct(pl.col(columns)).struct.rename_fields(COLUMNS.names()).cast(pl.Struct(COLUMNS))


def _carried(earlier: pl.DataFrame | None) -> pl.DataFrame:
    """Return `carried`: what the table of the run before has of each visit, if anything."""
    if earlier is None or not set(COLUMNS) <= set(earlier.columns):
        earlier = pl.DataFrame(
            schema={"visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, **COLUMNS}
        )
    known = earlier.drop_nulls("scored_on").unique(_VISIT, keep="first", maintain_order=True)
    return known.select(*_VISIT, carried=_scored(*COLUMNS.names()))


def _scores(run: Path | None, promise: pl.DataFrame) -> pl.DataFrame:
    """Return `night` and `scored` of the homes visited, by the run's scores; no rows where it has none."""
    try:
        night = date.fromisoformat(run.name if run else "")
    except ValueError:
        night = None
    file = run / "site_scores.parquet" if run else None
    if not (night and file and file.is_file() and set(pl.read_parquet_schema(file)) >= _NEEDED):
        return pl.DataFrame(schema={"site_id": pl.String, "night": pl.Date, "scored": pl.Struct(COLUMNS)})
    visited = promise.lazy().select(pl.col("site_id").unique())
    scores = pl.scan_parquet(file, glob=False).filter(pl.col("nights") > 0).with_columns(night=pl.lit(night))
    scores = scores.select("site_id", "night", scored=_scored("night", "likelihood", "onset_on"))
    return scores.join(visited, on="site_id", how="semi").collect()
