"""A home's figures: each a title, a spec (or the words for why there is none), a caption with the numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any, NamedTuple

import polars as pl
from scipy.special import expit

from pipeline.core.line_columns import PAIRS
from pipeline.core.line_words import line_words
from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.chart_parts import quantile
from pipeline.report.charts import daily_slopes, day_hour_map, night_levels
from pipeline.report.line_pair_chart import line_against_line, pair_caption
from pipeline.report.pv_chart import leg_against_pv
from pipeline.report.right_slopes import expected_of, expected_slopes, right_text
from pipeline.report.series import HomeSeries, daylight
from pipeline.report.vega import Spec
from pipeline.report.weight_chart import running_totals, weight_bars
from pipeline.report.weight_table import fold

_NIGHT_HOURS = (0, 4)
_MIDDAY_HOURS = (11, 14)


class Figure(NamedTuple):
    """One picture with its caption: `spec` is None where there is nothing to draw, and `empty` then says why."""

    id: str
    title: str
    spec: Spec | None
    empty: str
    caption: str


def home_figures(
    series: HomeSeries,
    score: Mapping[str, Any],
    since: date | None,
    *,
    lines: Sequence[str],
    settings: ReportSettings,
) -> list[Figure]:
    """Return each line by day and hour and against PV, the overnight baseload and the daily response to PV.

    A home with three lines also has each pair of them against each other.

    Parameters
    ----------
    series, score
        The home's readings and its row of site_scores.
    since
        The onset of the suspected fault.
    lines
        The home's (l1, ...).
    settings
        [report].
    """
    levels = pl.concat([series.hours.get_column(f"{leg}_w").abs() for leg in lines]).drop_nulls()
    reach = max(settings.least_reach_w, round(quantile(levels, settings.colour_quantile), -2))
    start = _start(series, score["from_on"] or since)
    return [
        *(_map_figure(series, leg, reach, since, start, score) for leg in lines),
        *(_slope_figure(series, leg, lines, score, start, settings) for leg in lines),
        *_day_figures(series, score, since, lines, settings),
        *(
            _pair_figure(series, pair, start)
            for pair in PAIRS.values()
            if set(pair) <= set(lines) and len(lines) > 2
        ),
    ]


def _day_figures(
    series: HomeSeries,
    score: Mapping[str, Any],
    since: date | None,
    lines: Sequence[str],
    settings: ReportSettings,
) -> list[Figure]:
    night_texts, slope_texts = [], []
    expected = expected_slopes(score, lines)
    for leg in lines:
        if not series.has(f"{leg}_w"):
            continue
        night = f"median {words.watts(score.get(f'night_{leg}_w'))}"
        slope = f"{words.slope(score.get(f'slope_{leg}'), score.get(f'slope_{leg}_se'))} over the window"
        days = series.days
        before = days.clear() if since is None else days.filter(pl.col("day") < since)
        if before.height:
            after, day = days.filter(pl.col("day") >= since), words.day(since)
            watts = [words.watts(_median(part, f"night_{leg}_w")) for part in (before, after)]
            slopes = [words.slope(_median(part, f"slope_{leg}"), None) for part in (before, after)]
            night = f"median {watts[0]} before {day}, {watts[1]} since"
            slope = f"median {slopes[0]} before {day}, {slopes[1]} since"
        night_texts.append(f"{words.leg(leg)}: {night}")
        slope_texts.append(f"{words.leg(leg)}: {slope}")
    return [
        Figure(
            "nights",
            "Overnight baseload, night by night",
            night_levels(series.days, settings.least_reach_w, since, lines=lines),
            "No night with readings in the window." if series.hours.height else "No readings in the window.",
            f"{'; '.join(night_texts)}. Without a battery a right CT stays above zero at night.",
        ),
        Figure(
            "slopes",
            "Response to PV, day by day",
            daily_slopes(series.days, expected, settings.slope_reach, onset=since, lines=lines),
            _no_slope(series, "l1", lines),
            f"{'; '.join(slope_texts)}; right is {right_text(expected, lines, ' W per W')}. "
            "Bars are each day's 95 % interval: a cloudless day has a wide one.",
        ),
    ]


def weight_figure(weights: pl.DataFrame, contradicting: str | None = None) -> Figure:
    """Return the picture of the fleet's odds and the weights; the probe `contradicting` always has a bar."""
    bars = running_totals(weights, contradicting)
    if not bars:
        return Figure("weights", "Why", None, "No weights are on file for this home.", "")
    prior, score = bars[0]["end"], bars[-1]["end"]
    folded = fold(weights, contradicting)
    probes = words.count(folded.first.height - 1, "probe")
    others = f" and {folded.rest_label}" if folded.rest.height else ""
    caption = (
        f"Start: log odds {words.number(prior, 2, sign=True)} ({words.percent(expit(prior))}), from the fleet's "
        f"share of homes with a fault and the model's own constant. {probes} with weight{others} bring the sum to "
        f"{words.number(score, 2, sign=True)}, which stands for {words.percent(expit(score))} for a fault of any kind."
    )
    spec = weight_bars(weights, contradicting)
    return Figure("weights", "From the fleet's odds to the likelihood, probe by probe", spec, "", caption)


def _map_figure(
    series: HomeSeries,
    leg: str,
    reach: float,
    since: date | None,
    start: date | None,
    score: Mapping[str, Any],
) -> Figure:
    name = words.leg(leg)
    hours = series.hours if start is None else series.hours.filter(pl.col("day") >= start)
    night, noon = (
        _median(hours.filter(pl.col("hour").is_between(first, end - 1)), f"{leg}_w")
        for first, end in (_NIGHT_HOURS, _MIDDAY_HOURS)
    )
    share = score.get(f"night_{leg}_negative_share")
    below = (
        "It is never below zero at night."
        if share == 0
        else f"{words.percent(share)} of its night intervals are below zero."
    )
    zone = series.zone if series.has_own_zone else "UTC: the site record gives no known time zone"
    caption = (
        f"{name}{_from(start)}: median {words.watts(night)} from midnight to {_NIGHT_HOURS[1]}:00, "
        f"{words.watts(noon)} around midday ({zone}). {below} "
        "Blue flows into the home, orange towards the utility, grey has no data."
    )
    if since is not None and (series.hours["day"] == since).any():
        caption += f" The line marks {words.day(since)}."
    spec = day_hour_map(series, leg, reach, onset=since)
    return Figure(f"map-{leg}", f"{name} by day and hour", spec, _no_leg(name), caption)


def _slope_figure(
    series: HomeSeries,
    leg: str,
    lines: Sequence[str],
    score: Mapping[str, Any],
    start: date | None,
    settings: ReportSettings,
) -> Figure:
    name = words.leg(leg)
    slope, se = score.get(f"slope_{leg}"), score.get(f"slope_{leg}_se")
    expected = expected_of(expected_slopes(score, lines), leg)
    points = daylight(series, leg, settings.daylight_share)
    used = points if start is None else points.filter(pl.col("day") >= start)
    hours = words.count(used.height, "daylight hour") + _from(start)
    if slope is None:
        caption = f"{hours} of {name}; too little moves together to fit a slope."
    else:
        caption = (
            f"{name} moves by {words.slope(slope, se)} W per W of PV (± one standard error; the band "
            f"is the 95 % interval); right is {words.number(expected, 2, sign=True)}. "
            f"{hours}. The slope is fitted to changes from one interval to the next, so the line can lean "
            "differently from the cloud of hourly means."
        )
    if used.height < points.height:
        caption += " Grey dots are earlier days, which had no part in it."
    spec = leg_against_pv(points, leg, slope, se=se, expected=expected, start=start)
    return Figure(f"pv-{leg}", f"{name} against PV", spec, _no_slope(series, leg, lines), caption)


def _pair_figure(series: HomeSeries, pair: tuple[str, str], start: date | None) -> Figure:
    names = " and ".join(words.leg(line) for line in pair)
    spec, caption = line_against_line(series, pair, start), pair_caption(series, pair, start)
    return Figure(pair_id(pair), f"{names} against each other", spec, f"No hour with both {names}.", caption)


def pair_id(pair: tuple[str, str]) -> str:
    """Return the id of the figure of two lines against each other."""
    return f"pair-{pair[0][1]}{pair[1][1]}"


def _start(series: HomeSeries, first: date | None) -> date | None:
    """Return the first day that may speak, None where none of the window's days is left out.

    One day's slack: a window that starts on a UTC day begins on the evening before in local time.
    """
    if first is None or series.hours.filter(pl.col("day") < first - timedelta(days=1)).is_empty():
        return None
    return first


def _from(start: date | None) -> str:
    return "" if start is None else f" since {words.day(start)}"


def _no_leg(name: str) -> str:
    why = ": a single-leg service or a source of whole-home power has none" if name == "L2" else ""
    return f"No {name} readings in the window{why}."


def _no_slope(series: HomeSeries, leg: str, lines: Sequence[str]) -> str:
    one = line_words(len(lines)).one
    if not series.has("pv_w"):
        return f"No PV readings in the window: the {one} can't be compared with production."
    if not series.has(f"{leg}_w"):
        return _no_leg(words.leg(leg))
    return f"PV never rose enough in the window to compare the {one} with it."


def _median(frame: pl.DataFrame, column: str) -> float | None:
    median: Any = frame.get_column(column).median()
    return None if median is None else float(median)
