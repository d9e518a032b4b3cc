"""The picture of why: the fleet's own odds and one weight a probe, added up from top to bottom."""

from __future__ import annotations

from itertools import pairwise
from math import log

import polars as pl

from pipeline.report import theme, vega, words
from pipeline.report.chart_parts import Rows, data, finish
from pipeline.report.vega import Spec
from pipeline.report.weight_table import fold

_TICK_SHARES = (0.0001, 0.001, 0.01, 0.05, 0.2, 0.5, 0.8, 0.95, 0.99, 0.999, 0.9999)
_KINDS = {"start": "prior", "raises": "supports", "lowers": "against", "sum": "total"}
_ROW_PX = 34


def running_totals(weights: pl.DataFrame, contradicting: str | None = None) -> Rows:
    """Return the bars in order: label, start, end [log odds], kind (start, raises, lowers, sum).

    `weights` is one home's `site_weight`; its first row is the prior. Probes that say little or
    could not tell share one bar, so the bars add up to the sum, which is the last.
    """
    bars: Rows = []
    total = 0.0
    folded = fold(weights, contradicting)
    told = [*folded.first.select("label", "weight").iter_rows()]
    if folded.rest.height:
        told.append((folded.rest_label, folded.rest_weight))
    for position, (label, weight) in enumerate(told):
        start, total = total, total + weight
        kind = "start" if not position else "raises" if weight > 0 else "lowers"
        name = f"{label}  {words.number(weight, 2, sign=True)}"
        bars.append(
            {"row": len(bars), "label": name, "start": round(start, 3), "end": round(total, 3), "kind": kind}
        )
    score = {"label": f"Score  {words.number(total, 2, sign=True)}", "start": 0.0, "end": round(total, 3)}
    return [*bars, {"row": len(bars), **score, "kind": "sum"}] if bars else []


def weight_bars(weights: pl.DataFrame, contradicting: str | None = None) -> Spec | None:
    """Return one home's contribution bars; the axis is log odds, labelled as the likelihood it stands for."""
    bars = running_totals(weights, contradicting)
    if not bars:
        return None
    steps = [
        {"row": upper["row"], "next": lower["row"], "end": upper["end"]} for upper, lower in pairwise(bars)
    ]
    reached = [bar[side] for bar in bars for side in ("start", "end")]
    low, high = min(*reached, -2.0) - 0.5, max(*reached, 2.0) + 0.5
    ticks = [tick for share in _TICK_SHARES if low <= (tick := round(log(share / (1 - share)), 4)) <= high]
    percent = "format(1 / (1 + exp(-datum.value)), '.4~p')"
    axis = vega.axis(values=ticks, labelExpr=percent, orient="bottom", labelFlush=False)
    scale = vega.scale(domain=[round(low, 3), round(high, 3)], nice=False, zero=False)
    x = vega.x("start:Q", title="likelihood the running sum stands for", axis=axis, scale=scale)
    y = vega.y("row:O", axis=None)
    kinds = vega.scale(domain=list(_KINDS), range=[theme.light(name) for name in _KINDS.values()])
    colour = vega.colour("kind:N", scale=kinds, legend=vega.legend(title=None))
    base = data("bars").encode(y)
    drawn = base.mark("bar", height=13, yOffset=8).encode(x, vega.x2("end:Q"), colour)
    names = base.encode(vega.text("label:N"), x=vega.value(0))
    halo = names.mark("text", align="left", dy=-8, limit=340, stroke=theme.light("paper"), strokeWidth=4)
    label = names.mark("text", align="left", dy=-8, limit=340)
    joins = data("steps").mark("rule", color=theme.light("quiet"), yOffset=8, y2Offset=8)
    even = data("even").mark("rule", color=theme.light("grid"), strokeWidth=1)
    layers = [
        even.encode(vega.x("end:Q")),
        joins.encode(vega.x("end:Q"), y, vega.y2("next:O")),
        drawn,
        halo,
        label,
    ]
    return finish(layers, {"bars": bars, "steps": steps, "even": [{"end": 0}]}, height=_ROW_PX * len(bars))
