"""Nights until found: the same fleet scored as of its first, second, third ... night."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict

import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.measure import ALARM, marks
from pipeline.evaluation.validation.reading import Reading, judge_as_of
from pipeline.scoring.model import Model

NIGHTS = (1, 2, 3, 5, 7, 10, 14, 21, 30)
SOON = 2  # nights within which what can't wait must be found


def growing(
    reading: Reading,
    model: Model,
    settings: Settings,
    nights: tuple[int, ...] = NIGHTS,
    tell: Callable[[str], None] = lambda line: None,
    last: pl.DataFrame | None = None,
) -> dict[int, pl.DataFrame]:
    """Return night -> `judge`'s frame as of that night, its window all days up to then.

    Nights that the lake doesn't have are left out; its last one is always there: `last` where that is known already.
    """
    wanted = sorted({night for night in nights if night < reading.nights} | {reading.nights})
    found = {}
    for night in wanted:
        if night == reading.nights and last is not None:
            found[night] = last
            continue
        tell(f"scored as of night {night}")
        found[night] = judge_as_of(reading, night, model, settings)
    return found


def nights_until_found(seen: Mapping[int, pl.DataFrame], from_likelihood: float = ALARM) -> pl.DataFrame:
    """Return one row a home whose fault was there from the first day: when it is found, and when suspected.

    `site_id`, `fault`, `position`; `nights`: the first of the looked-at nights from which on the home stays at or over
    `from_likelihood` with the right name (a twin's counts where there are no leg voltages); `suspect_nights`: the same
    whatever the name. Null if it isn't so on the last night.
    """
    is_suspect = pl.col("likelihood") >= from_likelihood
    told = pl.concat(
        frame.filter("is_from_first_day").select(
            "site_id", "fault", "position", night=pl.lit(night, pl.Int64),
            is_suspect=is_suspect, is_right=is_suspect & pl.col("is_named_right"),
        )
        for night, frame in seen.items()
    )  # fmt: skip

    def stays(column: str) -> pl.Expr:
        last_wrong = pl.col("night").filter(~pl.col(column)).max().fill_null(0)
        return pl.col("night").filter(pl.col("night") > last_wrong).min()

    return (
        told.group_by("site_id", "fault", "position")
        .agg(nights=stays("is_right"), suspect_nights=stays("is_suspect"))
        .sort("fault", "position", "site_id")
    )


def by_position(until: pl.DataFrame, soon: int = SOON) -> pl.DataFrame:
    """Return one row a (fault, position): `homes`, `median_nights`, `soon_share`, `found_share`, `suspect_soon_share`.

    `soon_share` is found within `soon` nights, `found_share` by the last night, `suspect_soon_share` suspected within
    `soon` nights whatever the name. Homes never found count as later than any: `median_nights` is null where fewer
    than half are found.
    """
    never = 10**6
    return (
        until.group_by("fault", "position")
        .agg(
            homes=pl.len(),
            median_nights=pl.col("nights").fill_null(never).median(),
            soon_share=(pl.col("nights") <= soon).fill_null(False).mean(),
            found_share=pl.col("nights").is_not_null().mean(),
            suspect_soon_share=(pl.col("suspect_nights") <= soon).fill_null(False).mean(),
        )
        .with_columns(median_nights=pl.when(pl.col("median_nights") < never / 2).then("median_nights"))
        .sort("fault", "position")
    )


def by_night(seen: Mapping[int, pl.DataFrame], visits: int | None = None) -> pl.DataFrame:
    """Return one row a looked-at night with all of `Marks`, and `alarms`, `alarm_share` of the sound homes."""
    rows = []
    for night, judged in sorted(seen.items()):
        sound = judged.filter(~pl.col("is_faulty"))
        alarms = int((sound["likelihood"] >= ALARM).sum())
        share = alarms / sound.height if sound.height else float("nan")
        rows.append(
            {"nights": night, **asdict(marks(judged, visits)), "alarms": alarms, "alarm_share": share}
        )
    return pl.DataFrame(rows)
