"""Writes what came of a policy simulation: a page, one CSV a table, all numbers as JSON, the pictures as SVG."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import polars as pl

from pipeline.evaluation.policy_simulation.policies import NOBODY, POLICIES
from pipeline.evaluation.policy_simulation.results import MAIN
from pipeline.evaluation.study_pages import Picture, Study, spec_of, write_study
from pipeline.report import theme

# Each policy has a colour and a dash of its own: lines stay apart without colour.
_STYLES: tuple[tuple[str, list[int]], ...] = (
    ("against", [1, 0]), ("supports", [7, 3]), ("l1", [2, 2]), ("l2", [9, 3, 2, 3]), ("quiet", [1, 3]),
)  # fmt: skip
LINES = dict(zip((*(policy.title for policy in POLICIES), NOBODY), _STYLES, strict=True))
_SIZE_PX = {"width": 640, "height": 260}
PICTURES = (
    ("faulty_left", "faulty_left", "faulty homes", "Faulty homes left",
     "Homes with a fault at the end of each day; new faults keep beginning."),
    ("misreported", "wrong_mwh_so_far", "MWh misreported since the first night", "Energy misreported",
     "Difference of both consumption channels from the same fleet without faults, summed over homes and days so far."),
    ("wasted", "wasted_so_far", "no-fault-found visits", "No-fault-found visits",
     "Truck visits so far to homes without a fault."),
)  # fmt: skip


def write_simulation(study: Study, out: Path) -> Path:
    """Write index.html, *.csv, tally.json and the pictures into `out` (created where missing); return the page.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    days = study.frames["days"].with_columns(wrong_mwh_so_far=pl.col("wrong_kwh_so_far") / 1000)
    pictures = [
        Picture(name, title, f"{title}, one line a policy", caption, draw_days(days, column, axis))
        for name, column, axis, title, caption in PICTURES
    ]
    pictures.append(Picture(
        "settled", "How soon a fix is settled", "Share of fixes settled by nights since the visit",
        f"Fixes under {MAIN} that the data had verified or shown to have failed, by nights since the visit.",
        draw_settled(study.frames["fixes"]),
    ))  # fmt: skip
    return write_study(study, out, pictures)


def draw_days(days: pl.DataFrame, column: str, title: str) -> dict[str, Any]:
    """Return the spec of one line a policy: `column` of the study's days, day by day."""
    rows = days.select(pl.col("day").cast(pl.String), "policy", value=pl.col(column).round(2))
    colours = [theme.light(colour) for colour, _ in LINES.values()]
    dashes = [dash for _, dash in LINES.values()]
    # One legend: the symbols carry both.
    legend = alt.Legend(
        title=None, symbolType="stroke", symbolSize=400, symbolStrokeWidth=2.5, columns=3, columnPadding=28
    )
    chart = (
        alt.Chart(alt.InlineData(values=rows.to_dicts()))
        .mark_line(strokeWidth=2.5, interpolate="step-after")
        .encode(
            alt.X("day:T", title=None, axis=alt.Axis(format="%d %b", tickCount=7)),
            alt.Y("value:Q", title=title, scale=alt.Scale(zero=True)),
            alt.Color("policy:N", scale=alt.Scale(domain=list(LINES), range=colours), legend=legend),
            alt.StrokeDash("policy:N", scale=alt.Scale(domain=list(LINES), range=dashes), legend=legend),
        )
        .properties(**_SIZE_PX)
    )
    return spec_of(chart)


def draw_settled(fixes: pl.DataFrame) -> dict[str, Any]:
    """Return the spec of the share of fixes (fix_outcomes.FIXES) settled within so many nights of the visit."""
    most = int(fixes["nights"].max() or 0)  # type: ignore[arg-type]
    rows = [
        {"nights": nights, "value": float((fixes["nights"] <= nights).sum()) / max(fixes.height, 1)}
        for nights in range(most + 1)
    ]
    share = alt.Y(
        "value:Q", title="share of fixes settled", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(format="%")
    )
    chart = (
        alt.Chart(alt.InlineData(values=rows))
        .mark_line(strokeWidth=2.5, interpolate="step-after", color=theme.light("against"))
        .encode(alt.X("nights:Q", title="nights since the visit", axis=alt.Axis(tickMinStep=1)), share)
        .properties(**_SIZE_PX)
    )
    return spec_of(chart)
