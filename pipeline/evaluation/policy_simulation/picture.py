"""The pictures: faulty homes left, energy misreported and visits wasted over time, and how soon fixes were settled."""

from __future__ import annotations

import json
from typing import Any

import altair as alt
import polars as pl

from pipeline.evaluation.policy_simulation.policies import NOBODY, POLICIES
from pipeline.report import theme

# Each policy has a colour and a dash of its own: lines stay apart without colour.
LINES: dict[str, tuple[str, list[int]]] = {
    POLICIES[0].title: ("against", []),
    POLICIES[1].title: ("supports", [7, 3]),
    POLICIES[2].title: ("l1", [2, 2]),
    POLICIES[3].title: ("l2", [9, 3, 2, 3]),
    NOBODY: ("quiet", [1, 3]),
}
_WIDTH, _HEIGHT = 640, 260


def over_time(days: pl.DataFrame, column: str, title: str) -> dict[str, Any]:
    """Return the spec of one line a policy: `column` of the tally's days, day by day."""
    names = [name for name in LINES if name in days["policy"].unique().to_list()]
    rows = days.select(
        pl.col("day").cast(pl.String), "policy", pl.col(column).round(2).alias("value")
    ).to_dicts()
    colours = [theme.light(LINES[name][0]) for name in names]
    dashes = [LINES[name][1] or [1, 0] for name in names]
    # One legend: the symbols carry both.
    legend = alt.Legend(title=None, symbolType="stroke", symbolSize=400, symbolStrokeWidth=2.5, columns=3)
    chart = (
        alt.Chart(alt.InlineData(values=rows))
        .mark_line(strokeWidth=2.5, interpolate="step-after")
        .encode(
            alt.X("day:T", title=None, axis=alt.Axis(format="%d %b", tickCount=7)),
            alt.Y("value:Q", title=title, scale=alt.Scale(zero=True)),
            alt.Color("policy:N", scale=alt.Scale(domain=names, range=colours), legend=legend),
            alt.StrokeDash("policy:N", scale=alt.Scale(domain=names, range=dashes), legend=legend),
        )
        .properties(width=_WIDTH, height=_HEIGHT)
    )
    return _finish(chart)


def settled_by(fixes: pl.DataFrame) -> dict[str, Any]:
    """Return the spec of the share of fixes (proofs.FIXES) settled within so many nights of the visit."""
    most = int(fixes["nights"].max() or 0) if fixes.height else 0  # type: ignore[arg-type]
    rows = [
        {"nights": nights, "value": float((fixes["nights"] <= nights).sum()) / max(fixes.height, 1)}
        for nights in range(most + 1)
    ]
    chart = (
        alt.Chart(alt.InlineData(values=rows))
        .mark_line(strokeWidth=2.5, interpolate="step-after", color=theme.light("against"))
        .encode(
            alt.X("nights:Q", title="nights since the visit", axis=alt.Axis(tickMinStep=1)),
            alt.Y(
                "value:Q",
                title="share of fixes settled",
                scale=alt.Scale(domain=[0, 1]),
                axis=alt.Axis(format="%"),
            ),
        )
        .properties(width=_WIDTH, height=_HEIGHT)
    )
    return _finish(chart)


def _finish(chart: alt.Chart) -> dict[str, Any]:
    spec: dict[str, Any] = json.loads(json.dumps(chart.to_dict(validate=False)))
    return spec | {"config": theme.config()}
