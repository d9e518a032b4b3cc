"""Writes what the validation measured: a page, one CSV a table, all numbers as JSON, the reliability pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import polars as pl

from pipeline.evaluation.study_pages import Picture, Study, spec_of, write_study
from pipeline.evaluation.validation.calibration import ANY_FAULT
from pipeline.faults.fault_text import fault_title
from pipeline.report import theme

_BIG_PX, _SMALL_PX, _ACROSS = 380, 150, 4
_TITLE = {"color": theme.light("ink"), "fontSize": 13, "fontWeight": "normal"}


def write_validation(study: Study, out: Path) -> Path:
    """Write index.html, *.csv, proof.json and the pictures into `out` (created where missing); return the page.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    reliability = study.frames["reliability"]
    pictures = (
        Picture(
            "reliability", "Reliability", "Likelihood of any fault against how often there is one",
            "Any fault: predicted likelihood against the observed share of homes with a fault, in bins of equal width. "
            "Bars: 95 % intervals; bigger dots: more homes. On the dashed line predicted and observed agree.",
            draw_reliability(reliability),
        ),
        Picture(
            "reliability-by-fault", "By fault", "Likelihood of each fault against how often it is that fault",
            "Each fault: its predicted likelihood against the observed share of homes with that fault.",
            draw_reliability_by_fault(reliability),
        ),
    )  # fmt: skip
    return write_study(study, out, pictures)


def draw_reliability(table: pl.DataFrame) -> dict[str, Any]:
    """Return the Vega-Lite spec of the class "any fault" of `calibration.reliability_table`."""
    return spec_of(_panel(table.filter(pl.col("class") == ANY_FAULT), _BIG_PX), title=_TITLE)


def draw_reliability_by_fault(table: pl.DataFrame) -> dict[str, Any]:
    """Return the spec of one small panel a fault: its own likelihood against how often it is that fault."""
    panels = [
        _panel(rows, _SMALL_PX).properties(title=fault_title(str(name)))
        for (name,), rows in table.group_by("class", maintain_order=True)
        if name != ANY_FAULT
    ]
    return spec_of(alt.concat(*panels, columns=_ACROSS, spacing=18), title=_TITLE)


def _panel(rows: pl.DataFrame, side_px: int) -> alt.LayerChart:
    """Return predicted (across) against observed (up) with Wilson intervals; the area of a dot grows with its homes."""
    values = rows.select("homes", pl.col("said", "came", "low", "high").round(4)).to_dicts()
    data = alt.InlineData(values=values)
    scale = alt.Scale(domain=[0, 1], nice=False)
    axis = alt.Axis(format=".0%", tickCount=5)
    x = alt.X("said:Q", title="predicted likelihood", scale=scale, axis=axis)
    y = alt.Y("came:Q", title="observed share", scale=scale, axis=axis)
    diagonal = alt.Chart(alt.InlineData(values=[{"said": 0, "came": 0}, {"said": 1, "came": 1}]))
    line = diagonal.mark_line(color=theme.light("quiet"), strokeDash=[4, 4], strokeWidth=1).encode(x, y)
    bars = alt.Chart(data).mark_rule(color=theme.light("against"), strokeWidth=1.5)
    size = alt.Size("homes:Q", scale=alt.Scale(type="sqrt", rangeMin=20, rangeMax=220), legend=None)
    dots = alt.Chart(data).mark_point(color=theme.light("against"), filled=True, opacity=1)
    tooltip = [alt.Tooltip("homes:Q"), alt.Tooltip("said:Q"), alt.Tooltip("came:Q")]
    spans = bars.encode(x, alt.Y("low:Q", scale=scale), alt.Y2("high:Q"))
    layers = [line, spans, dots.encode(x, y, size, tooltip=tooltip)]
    return alt.LayerChart(layer=layers, width=side_px, height=side_px)
