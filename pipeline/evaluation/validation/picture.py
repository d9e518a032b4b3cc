"""The reliability picture: how often what was said came true, for any fault and fault by fault; SVG, light and dark."""

from __future__ import annotations

import json
from typing import Any

import altair as alt
import polars as pl

from pipeline.report import theme

ANY = "any fault"
_BIG_PX, _SMALL_PX, _ACROSS = 380, 150, 4


def overall(table: pl.DataFrame) -> dict[str, Any]:
    """Return the Vega-Lite spec of the class "any fault" of `calibration.reliability`."""
    return _finish(_panel(table.filter(pl.col("class") == ANY), _BIG_PX))


def each_fault(table: pl.DataFrame) -> dict[str, Any]:
    """Return the spec of one small panel a fault: its own likelihood against how often it is that fault."""
    names = [name for name in table["class"].unique(maintain_order=True) if name != ANY]
    panels = [
        _panel(table.filter(pl.col("class") == name), _SMALL_PX).properties(title=name.replace("_", " "))
        for name in names
    ]
    return _finish(alt.concat(*panels, columns=_ACROSS, spacing=18))


def _panel(rows: pl.DataFrame, side_px: int) -> alt.LayerChart:
    """Return said (across) against came (up) with Wilson intervals; the area of a dot grows with its homes."""
    values = rows.select("homes", pl.col("said", "came", "low", "high").round(4)).to_dicts()
    data = alt.InlineData(values=values)
    scale = alt.Scale(domain=[0, 1], nice=False)
    axis = alt.Axis(format=".0%", tickCount=5)
    x = alt.X("said:Q", title="likelihood said", scale=scale, axis=axis)
    y = alt.Y("came:Q", title="share that came true", scale=scale, axis=axis)
    even = alt.Chart(alt.InlineData(values=[{"said": 0, "came": 0}, {"said": 1, "came": 1}]))
    line = even.mark_line(color=theme.light("quiet"), strokeDash=[4, 4], strokeWidth=1).encode(x, y)
    bars = alt.Chart(data).mark_rule(color=theme.light("against"), strokeWidth=1.5)
    size = alt.Size("homes:Q", scale=alt.Scale(type="sqrt", rangeMin=20, rangeMax=220), legend=None)
    dots = alt.Chart(data).mark_point(color=theme.light("against"), filled=True, opacity=1)
    told = [alt.Tooltip("homes:Q"), alt.Tooltip("said:Q"), alt.Tooltip("came:Q")]
    spans = bars.encode(x, alt.Y("low:Q", scale=scale), alt.Y2("high:Q"))
    layers = [line, spans, dots.encode(x, y, size, tooltip=told)]
    return alt.LayerChart(layer=layers, width=side_px, height=side_px)


def _finish(chart: alt.LayerChart | alt.ConcatChart) -> dict[str, Any]:
    spec: dict[str, Any] = json.loads(json.dumps(chart.to_dict(validate=False)))
    title = {"color": theme.light("ink"), "fontSize": 13, "fontWeight": "normal"}
    return spec | {"config": theme.config() | {"title": title}}
