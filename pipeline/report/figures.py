"""A home's figures: each a title, a spec (or the words for why there is none), a caption with the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from math import exp
from typing import Any

import polars as pl

from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.chart_parts import quantile
from pipeline.report.charts import daily_slopes, day_hour_map, night_levels
from pipeline.report.pv_chart import leg_against_pv
from pipeline.report.series import HomeSeries, daylight, days_from
from pipeline.report.vega import Spec
from pipeline.report.weight_chart import running_totals, weight_bars
from pipeline.report.weight_table import fold

_LEGS = ("l1", "l2")
_NIGHT_HOURS = (0, 4)
_MIDDAY_HOURS = (11, 14)


@dataclass(frozen=True)
class Figure:
    """One picture: `spec` is null where there is nothing to draw, and `empty` then says why."""

    id: str
    title: str
    spec: Spec | None
    empty: str
    caption: str


def leg_figures(
    series: HomeSeries, score: dict[str, Any], since: date | None, own: ReportSettings
) -> list[Figure]:
    """Return the day-by-hour maps and leg-against-PV pictures, L1 then L2 of each kind."""
    levels = pl.concat([series.hours.get_column(f"{leg}_w").abs() for leg in _LEGS]).drop_nulls()
    reach = max(own.least_reach_w, round(quantile(levels, own.colour_quantile), -2))
    start = _start(series, score["from_on"] or since)
    maps = [_map_figure(series, leg, reach, since, start, score) for leg in _LEGS]
    return maps + [_slope_figure(series, leg, score, start, own) for leg in _LEGS]


def day_figures(
    series: HomeSeries, score: dict[str, Any], since: date | None, own: ReportSettings
) -> list[Figure]:
    """Return the night-level and daily-slope pictures."""
    nights = night_levels(series.days, own.least_reach_w, since)
    slopes = daily_slopes(series.days, score["slope_expected"], own.slope_reach, since)
    said = _night_caption(series, score, since), _days_caption(series, score, since)
    return [
        Figure("nights", "Level of each night", nights, _no_nights(series), said[0] if nights else ""),
        Figure(
            "slopes", "Slope on PV, day by day", slopes, _no_slope(series, "l1"), said[1] if slopes else ""
        ),
    ]


def weight_figure(weights: pl.DataFrame, contradicting: str | None = None) -> Figure:
    """Return the picture of the fleet's odds and the weights; the probe `contradicting` always has a bar."""
    bars = running_totals(weights, contradicting)
    spec = weight_bars(weights, contradicting)
    if not bars:
        return Figure("weights", "Why", None, "The night kept no weights for this home.", "")
    prior, score = bars[0]["end"], bars[-1]["end"]
    folded = fold(weights, contradicting)
    probes = words.count(folded.first.height - 1, "probe")
    rest = f" and {folded.rest_label}" if folded.rest.height else ""
    caption = (
        f"Start: log odds {words.number(prior, 2, sign=True)} ({words.percent(_share(prior))}), from the fleet's "
        f"share of homes with a fault and the model's own constant. {probes} with weight{rest} bring the sum to "
        f"{words.number(score, 2, sign=True)}, which stands for {words.percent(_share(score))} for a fault of any kind."
    )
    return Figure("weights", "From the fleet's odds to the likelihood, probe by probe", spec, "", caption)


def _share(log_odds: float) -> float:
    return 1 / (1 + exp(-log_odds))


def _map_figure(
    series: HomeSeries, leg: str, reach: float, since: date | None, start: date | None, score: dict[str, Any]
) -> Figure:
    name = words.leg(leg)
    spec = day_hour_map(series, leg, reach, since)
    title = f"{name} by day and hour"
    if spec is None:
        return Figure(f"map-{leg}", title, None, _no_leg(name), "")
    night, noon = (_hours_median(series, leg, start, *span) for span in (_NIGHT_HOURS, _MIDDAY_HOURS))
    below = words.percent(score[f"night_{leg}_negative_share"])
    zone = series.zone if series.has_own_zone else "UTC: the register gives no known time zone"
    caption = (
        f"{name}{_from(start)}: median {words.watts(night)} from midnight to {_NIGHT_HOURS[1]}:00, "
        f"{words.watts(noon)} around midday ({zone}). {below} of its night intervals are below zero. "
        "Blue flows into the home, orange towards the utility, grey has no data."
    )
    if since is not None:
        caption += f" The line marks {words.day(since)}."
    return Figure(f"map-{leg}", title, spec, "", caption)


def _slope_figure(
    series: HomeSeries, leg: str, score: dict[str, Any], start: date | None, own: ReportSettings
) -> Figure:
    name, title = words.leg(leg), f"{words.leg(leg)} against PV"
    slope, se, expected = score[f"slope_{leg}"], score[f"slope_{leg}_se"], score["slope_expected"]
    points = daylight(series, leg, own.daylight_share)
    spec = leg_against_pv(points, leg, slope, se, expected, start)
    if spec is None:
        return Figure(f"pv-{leg}", title, None, _no_slope(series, leg), "")
    used = points if start is None else points.filter(pl.col("day") >= start)
    hours = words.count(used.height, "daylight hour") + _from(start)
    if slope is None:
        caption = f"{hours} of {name}; too little moves together to fit a slope."
    else:
        caption = (
            f"{name} changes by {words.slope(slope, se)} W for each W of PV (± one standard error; the band "
            f"is the 95 % interval); right, as declared, is {words.number(expected, 2, sign=True)}. "
            f"{hours}. The slope is fitted to changes from one interval to the next, so the line can lean "
            "differently from the cloud of hourly means."
        )
    if used.height < points.height:
        caption += " Grey dots are earlier days, which had no part in it."
    return Figure(f"pv-{leg}", title, spec, "", caption)


def _start(series: HomeSeries, first: date | None) -> date | None:
    """Return the first day that may speak, null where none of the window's days is left out.

    One day's slack: a window that starts on a UTC day begins on the evening before in local time.
    """
    if first is None or series.hours.filter(pl.col("day") < first - timedelta(days=1)).is_empty():
        return None
    return first


def _from(start: date | None) -> str:
    return "" if start is None else f" since {words.day(start)}"


def _hours_median(series: HomeSeries, leg: str, start: date | None, first: int, end: int) -> float | None:
    hours = series.hours if start is None else series.hours.filter(pl.col("day") >= start)
    return _median(hours.filter(pl.col("hour").is_between(first, end - 1)), f"{leg}_w")


def _no_leg(name: str) -> str:
    return f"No {name} readings in the window: a single-leg service or a source of whole-home power has none."


def _no_slope(series: HomeSeries, leg: str) -> str:
    if not series.has("pv_w"):
        return "No PV readings in the window: the leg can't be compared with production."
    if not series.has(f"{leg}_w"):
        return _no_leg(words.leg(leg))
    return "PV never rose enough in the window to compare the leg with it."


def _no_nights(series: HomeSeries) -> str:
    return "No night with readings in the window." if series.hours.height else "No readings in the window."


def _median(frame: pl.DataFrame, column: str) -> float | None:
    kept = frame.get_column(column).drop_nulls()
    return None if kept.is_empty() else float(kept.median())  # type: ignore[arg-type]


def _before_after(series: HomeSeries, since: date, column: str) -> tuple[float | None, float | None]:
    before = series.days.filter(pl.col("day") < since)
    return _median(before, column), _median(days_from(series, since), column)


def _has_before(series: HomeSeries, since: date | None) -> bool:
    return since is not None and series.days.filter(pl.col("day") < since).height > 0


def _night_caption(series: HomeSeries, score: dict[str, Any], since: date | None) -> str:
    parts = []
    for leg in _LEGS:
        name, column = words.leg(leg), f"night_{leg}_w"
        if not series.has(f"{leg}_w"):
            continue
        text = f"{name}: median {words.watts(score[column])}"
        if since is not None and _has_before(series, since):
            before, after = _before_after(series, since, column)
            text = (
                f"{name}: median {words.watts(before)} before {words.day(since)}, {words.watts(after)} since"
            )
        parts.append(text)
    return "; ".join(parts) + ". With no sun and no battery a right leg is above zero at night."


def _days_caption(series: HomeSeries, score: dict[str, Any], since: date | None) -> str:
    parts = []
    for leg in _LEGS:
        name, column = words.leg(leg), f"slope_{leg}"
        if not series.has(f"{leg}_w"):
            continue
        text = f"{name}: {words.slope(score[column], score[f'{column}_se'])} over the window"
        if since is not None and _has_before(series, since):
            before, after = (words.slope(value, None) for value in _before_after(series, since, column))
            text = f"{name}: median {before} before {words.day(since)}, {after} since"
        parts.append(text)
    expected = words.number(score["slope_expected"], 2, sign=True)
    bars = "Bars are each day's 95 % interval: a cloudless day has a wide one."
    return f"{'; '.join(parts)}; expected {expected}. {bars}"
