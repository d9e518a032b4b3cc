"""The picture of a probe's spreads: this fleet's own over many fleets', on a logarithmic axis."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, sqrt
from typing import Any

from pipeline.core.quantiles import Z95
from pipeline.report import theme, vega
from pipeline.report.chart_parts import Rows, data, finish
from pipeline.report.vega import Spec

LOG_SPREAD_VARIANCE = 1.4  # of the logarithm of a spread from a median, times its number of values
_ROW_PX = 17
_COLOURS = ("l1", "l2", "supports", "against", "prior", "total")
_SHAPES = ("circle", "square", "diamond", "triangle-up", "triangle-down", "cross")
_LEAST, _MOST = 0.125, 8.0


def spread_rows(told: Sequence[dict[str, Any]]) -> tuple[Rows, Rows]:
    """Return (names, dots) from the top: a row for each quantity's name, then one a stratum with its ratio.

    `told` has quantity, stratum, own, shipped (spreads) and values; a dot has ratio, low and high (95 % from how many
    values it rests on), cut at the axis' ends.
    """
    names: Rows = []
    dots: Rows = []
    row = 0
    for item in told:
        if not names or names[-1]["name"] != item["quantity"]:
            names.append({"row": row, "name": item["quantity"]})
            row += 1
        ratio = item["own"] / item["shipped"]
        wide = exp(Z95 * sqrt(LOG_SPREAD_VARIANCE / item["values"]))
        at = {"ratio": ratio, "low": ratio / wide, "high": ratio * wide}
        cut = {name: round(min(max(value, _LEAST), _MOST), 3) for name, value in at.items()}
        dots.append({"row": row, "homes": item["stratum"], "name": item["quantity"], **cut})
        row += 1
    return names, dots


def spread_chart(told: Sequence[dict[str, Any]]) -> Spec | None:
    """Return the picture, None without a spread to compare."""
    names, dots = spread_rows(told)
    if not dots:
        return None
    strata = list(dict.fromkeys(dot["homes"] for dot in dots))
    size = len(names) + len(dots)
    y = vega.y("row:O", axis=None, scale=vega.scale(domain=list(range(size))))
    axis = vega.axis(
        values=[0.25, 0.5, 1, 2, 4],
        labelExpr="'×' + format(datum.value, '~g')",
        grid=True,
        labelOverlap=False,
    )
    scale = vega.scale(type="log", domain=[_LEAST, _MOST], nice=False)
    x = vega.x("ratio:Q", title="spread here over spread of many fleets", scale=scale, axis=axis)
    colours = vega.scale(domain=strata, range=[theme.light(name) for name in _COLOURS[: len(strata)]])
    shapes = vega.scale(domain=strata, range=list(_SHAPES[: len(strata)]))
    legend = vega.legend(title=None, columns=1, labelLimit=300) if len(strata) > 1 else None
    base = data("dots").encode(y, vega.colour("homes:N", scale=colours, legend=legend))
    tips = [vega.tooltip("name:N"), vega.tooltip("homes:N"), vega.tooltip("ratio:Q", format=".2f")]
    points = base.mark("point", filled=True, size=60).encode(
        x, vega.shape("homes:N", scale=shapes, legend=legend), tooltip=tips
    )
    bars = base.mark("rule", strokeWidth=2, opacity=0.6).encode(
        vega.x("low:Q", scale=scale, axis=axis, title="spread here over spread of many fleets"),
        vega.x2("high:Q"),
    )
    even = data("even").mark("rule", color=theme.light("expected"), strokeDash=[6, 4], strokeWidth=1.5)
    label = data("names").encode(y, vega.text("name:N"), x=vega.value(4))
    halo = label.mark("text", align="left", limit=330, stroke=theme.light("paper"), strokeWidth=4)
    layers = [even.encode(vega.x("ratio:Q")), bars, points, halo, label.mark("text", align="left", limit=330)]
    return finish(layers, {"dots": dots, "names": names, "even": [{"ratio": 1}]}, height=_ROW_PX * size)
