"""Rows of visits, safety calls and meters whose home or day can't be: each gets the reason why it is rejected."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.ingest.csv_reader import REASON

# A register of things at homes, with its days, the one that every row has first.
_DAYS: dict[str, tuple[str, ...]] = {
    "visits": ("visited_on",), "safety_calls": ("called_on", "repaired_on"), "meters": (),
}  # fmt: skip


def with_day_reasons(
    table: str, rows: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, today: date | None = None
) -> pl.DataFrame:
    """Return the rows with a REASON if the home is unknown or a day can't be, else null.

    Parameters
    ----------
    table
        The register; one that is not of homes has no reasons.
    rows, sites
        Its rows, and the register of homes.
    as_of
        The night: days after it are not known yet.
    today
        The day on which the night is made, `as_of` if not given: what a row says of the days in between besides its
        first day is no error, and left to `as_known_on`.
    """
    days = _DAYS.get(table)
    if days is None:
        return rows.with_columns(pl.lit(None, dtype=pl.String).alias(REASON))
    homes = sites.select("site_id", "commissioned_on", is_known=pl.lit(True))
    reasons = [
        pl.when(pl.col("is_known").is_null()).then(pl.lit("unknown home: site_id is not in sites")),
        *(_late(day, as_of if day == days[0] else today or as_of) for day in days),
        *(
            pl.when(pl.col(day) < pl.col("commissioned_on")).then(
                pl.format("{} {} lies before the home's commissioning", pl.lit(day), day)
            )
            for day in days[:1]
        ),
        *(
            pl.when(pl.col(later) < pl.col(days[0])).then(
                pl.format("{} {} lies before {} {}", pl.lit(later), later, pl.lit(days[0]), days[0])
            )
            for later in days[1:]
        ),
    ]
    joined = rows.join(homes, on="site_id", how="left", maintain_order="left")
    return joined.with_columns(pl.coalesce(reasons).alias(REASON)).select(*rows.columns, REASON)


def as_known_on(table: str, rows: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return the rows without the days after `as_of` that a row has besides its first: a repair is still to come."""
    later = _DAYS.get(table, ())[1:]
    return rows.with_columns(pl.when(pl.col(day) <= as_of).then(day).alias(day) for day in later)


def _late(name: str, as_of: date) -> pl.Expr:
    day = pl.col(name)
    return pl.when(day > as_of).then(pl.format("{} {} lies after the as-of day", pl.lit(name), day))
