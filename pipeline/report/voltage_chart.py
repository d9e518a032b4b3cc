"""The picture of a safety call: how far V1 and V2 move apart for each kW of a leg, day by day."""

from __future__ import annotations

import polars as pl

from pipeline.core.quantiles import Z95
from pipeline.report import theme, vega
from pipeline.report.chart_parts import TWO_LEGS, data, day_axis, finish, leg_colour, leg_shape, rows
from pipeline.report.charts import by_leg_rows, side_by_side
from pipeline.report.vega import Spec

_RIGHT_V = 1.0  # what a service in order reaches, a long thin drop included
_RIGHT_OF_THREE_V = 2.0  # ... and long shared mains of three lines


def voltage_picture(days: pl.DataFrame, suspected_from: float, line_count: int = 2) -> Spec | None:
    """Return each day's movement of V1 - V2 for a kW of each leg, with the sign that is right as plus; None: no day.

    The bars are 95 % intervals.

    Parameters
    ----------
    days
        Table safety_day of one home [V/kW].
    suspected_from
        From where on a loose neutral is suspected [V/kW].
    line_count
        How many lines the home has.
    """
    if days.is_empty():
        return None
    size = pl.when(pl.col("leg") == "L1").then(-pl.col("v")).otherwise("v")
    half = pl.col("se") * Z95
    fields = {"v": "v_per_kw_{}", "se": "v_per_kw_{}_se"}
    points = by_leg_rows(days, fields, lines=TWO_LEGS).select(
        "leg",
        side_by_side(TWO_LEGS),
        v=size.round(3),
        low=(size - half).round(3),
        high=(size + half).round(3),
    )
    right = data("right").mark("rect", color=theme.light("no_data"), opacity=0.6)
    line = data("suspected").mark("rule", strokeDash=[6, 4], strokeWidth=1.5, color=theme.light("expected"))
    base = data("days").encode(day_axis(days.height), leg_colour("grey: right; dashed: suspected from"))
    told = [
        vega.tooltip("leg:N"),
        vega.tooltip("day:T", format="%-d %b"),
        vega.tooltip("v:Q", title="V per kW"),
    ]
    dots = base.mark("point", filled=True, size=55).encode(
        vega.y("v:Q", title="V1 and V2 move apart, V per kW"), leg_shape(), tooltip=told
    )
    bars = base.mark("rule", strokeWidth=2, opacity=0.6).encode(vega.y("low:Q"), vega.y2("high:Q"))
    layers = [
        right.encode(vega.y("low:Q"), vega.y2("high:Q")),
        line.encode(vega.y("v:Q")),
        bars,
        dots,
    ]
    tables = {
        "right": [{"low": 0, "high": _RIGHT_OF_THREE_V if line_count == 3 else _RIGHT_V}],
        "suspected": [{"v": suspected_from}],
        "days": rows(points),
    }
    return finish(layers, tables, height=240)
