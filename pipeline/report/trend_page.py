"""The page on the trend: the list's numbers by night and by week, from table night_count."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import data, day_axis, finish, rows
from pipeline.report.figures import Figure
from pipeline.report.report_input import ReportInput
from pipeline.report.vega import Spec

MOST_NIGHTS = 60
MOST_WEEKS = 26
_FLOWS = ("new", "left", "visited", "fixed", "confirmed")
_LEVELS = ("listed", "visits", "office", "waiting", "suspect", "unproven", "sound", "safety")
# What the chart shows: name of the line, column, colour, dashes.
_LINES = (
    ("backlog", "waiting", "ink", [1, 0]),
    ("listed", "listed", "against", [6, 3]),
    ("new", "new", "supports", [2, 2]),
    ("confirmed right by the data", "confirmed", "l2", [8, 3, 2, 3]),
)


def trend_context(night: ReportInput) -> dict[str, Any]:
    """Return the template values of the page."""
    nights = night.night_count.sort("as_of")
    shown = nights.tail(MOST_NIGHTS)
    return {
        "figure_of_trend": Figure(
            "trend",
            "Backlog, new and confirmed, night by night",
            trend_chart(shown),
            _empty(nights),
            _caption(shown),
        ),
        "nights": shown.reverse().to_dicts(),
        "nights_left_off": nights.height - shown.height,
        "weeks": by_week(nights).reverse().head(MOST_WEEKS).to_dicts(),
        "is_first_night": nights.height < 2,
    }


def by_week(nights: pl.DataFrame) -> pl.DataFrame:
    """Return a row for each week (from Monday) with a night: its nights, what came and went, its last levels."""
    return (
        nights.sort("as_of")
        .group_by(week=pl.col("as_of").dt.truncate("1w"), maintain_order=True)
        .agg(
            pl.len().alias("nights"),
            *(pl.col(name).sum() for name in _FLOWS),
            *(pl.col(name).last() for name in _LEVELS),
        )
    )


def trend_chart(nights: pl.DataFrame) -> Spec | None:
    """Return the lines of night_count over its nights; None with fewer than two."""
    if nights.height < 2:
        return None
    long = pl.concat(
        [nights.select(day="as_of", line=pl.lit(name), homes=pl.col(column)) for name, column, _, _ in _LINES]
    )
    names = [name for name, *_ in _LINES]
    colours = vega.scale(domain=names, range=[theme.light(colour) for _, _, colour, _ in _LINES])
    dashes = vega.scale(domain=names, range=[dash for *_, dash in _LINES])
    legend = vega.legend(
        title=None, symbolType="stroke", symbolSize=400, symbolStrokeWidth=2.5, labelLimit=300
    )
    base = data("nights").encode(
        day_axis((nights["as_of"][-1] - nights["as_of"][0]).days),
        vega.y("homes:Q", title="homes", axis=vega.axis(tickMinStep=1)),
        vega.colour("line:N", scale=colours, legend=legend),
        tooltip=[
            vega.tooltip("day:T", title="night", format="%-d %b %Y"),
            vega.tooltip("line:N"),
            vega.tooltip("homes:Q"),
        ],
    )
    lines = base.mark("line", strokeWidth=2.5, interpolate="step-after").encode(
        vega.dash("line:N", scale=dashes, legend=legend)
    )
    return finish([lines, base.mark("point", filled=True, size=36)], {"nights": rows(long)}, height=280)


def _empty(nights: pl.DataFrame) -> str:
    first = "This is the first night with numbers: from the second on they are drawn."
    return first if nights.height else "No night yet."


def _caption(nights: pl.DataFrame) -> str:
    if nights.height < 2:
        return ""
    first, last = nights.row(0, named=True), nights.row(-1, named=True)
    since = {name: int(nights[1:][name].sum()) for name in ("new", "left", "confirmed")}
    return (
        f"Backlog: {words.count(first['waiting'], 'home')} on {words.day(first['as_of'])}, "
        f"{words.number(last['waiting'])} on {words.day(last['as_of'])}. In between {words.number(since['new'])} "
        f"came new on the list, {words.number(since['left'])} left it, and the data confirmed "
        f"{words.count(since['confirmed'], 'fix', 'fixes')}."
    )
