"""The page on what is normal here: how this fleet's right homes scatter, beside many fleets, and who lies outside."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import polars as pl

from pipeline.core.line_words import LineWords
from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes import probes_of
from pipeline.probes.measured import OF_THREE_LINES
from pipeline.probes.probe import Probe
from pipeline.report import words
from pipeline.report.figures import Figure
from pipeline.report.home_lines import words_of_fleet
from pipeline.report.normal_chart import spread_chart
from pipeline.report.normal_drift import moved_since, unlike_others
from pipeline.report.normal_words import STRATA, quantity_name, scatter, what_is_measured
from pipeline.report.report_input import ReportInput
from pipeline.scoring.normal import MOST_HOMES

MOST_NAMES = 10
MOST_MOVES = 10
_ANY_ANGLE_DEG = 30.0
_MAIN_WITHOUT_FAULTS = 3  # rows shown at once of a probe none of whose quantities a fault moves one way


def normal_context(night: ReportInput, settings: VerdictSettings) -> dict[str, Any]:
    """Return the template values of the page."""
    outside = night.site_scores.drop_nulls("contradiction_probe").sort(
        "likelihood", "site_id", descending=[True, False]
    )
    # The phase of an answer that isn't there may be any: at the loads no production passes.
    is_sure = (pl.col("unit") != "deg") | (pl.col("spread") < _ANY_ANGLE_DEG)
    normal, before = night.fleet_normal.filter(is_sure), night.fleet_normal_before
    has_three = normal["stratum"].str.ends_with(OF_THREE_LINES).any()
    compared = [
        probe
        for probe in probes_of(3 if has_three else 2)
        if any(quantity.is_compared for quantity in probe.quantities)
    ]
    lines = words_of_fleet(night.site_scores, night.sites)
    return {
        "rate": _rate_sentence(night, settings),
        "outside": outside.height,
        "unlike": _first(unlike_others(normal, lines)),
        "moved": _first([] if before is None else moved_since(normal, before.filter(is_sure), lines)),
        "is_first_night": before is None,
        "blocks": [_block(probe, normal, outside, lines) for probe in compared],
    }


def _rate_sentence(night: ReportInput, settings: VerdictSettings) -> str:
    with_data = night.counts.homes - night.counts.homes_silent
    used = min(with_data, MOST_HOMES)
    part = "" if used == with_data else f", an even part of the {words.number(with_data)} with data"
    return (
        f"{words.number(100 * night.base_rate, 1)} % of this fleet's homes have a fault, by what the data of "
        f"{words.count(used, 'home')}{part} make likeliest together. The usual share of many fleets has the weight of "
        f"{words.count(round(settings.rate_homes), 'home')} beside them, so a small fleet stays near it."
    )


def _first(lines: list[str]) -> dict[str, Any]:
    return {"count": len(lines), "lines": lines[:MOST_MOVES], "rest": max(0, len(lines) - MOST_MOVES)}


def _block(probe: Probe, normal: pl.DataFrame, outside: pl.DataFrame, lines: LineWords) -> dict[str, Any]:
    """Return the template values of one probe, in the fleet's words for its lines."""
    quantities = [quantity for quantity in probe.quantities if quantity.is_compared]
    main = {quantity.name for quantity in quantities if quantity.wrong}
    main = main or {quantity.name for quantity in quantities[:_MAIN_WITHOUT_FAULTS]}
    of_probe = normal.filter((pl.col("probe") == probe.name) & (pl.col("homes") > 0))
    rows, bars = [], []
    for quantity in quantities:
        name, is_main = quantity_name(probe.name, quantity.name, lines), quantity.name in main
        for row in of_probe.filter(pl.col("quantity") == quantity.name).iter_rows(named=True):
            stratum = STRATA[row["stratum"]]
            here, many = (
                scatter(quantity.name, row["unit"], row[f"{fleet}_centre"], spread=row[f"{fleet}_spread"])
                for fleet in ("own", "shipped")
            )
            rows.append(
                {
                    "quantity": name, "stratum": stratum, "here": here, "many": many,
                    "rests_on": words.count(row["homes"], "home"), "is_main": is_main,
                }
            )  # fmt: skip
            if is_main and row["own_spread"] and row["shipped_spread"]:
                bars.append(
                    {
                        "quantity": name, "stratum": stratum, "own": row["own_spread"],
                        "shipped": row["shipped_spread"], "values": row["homes"],
                    }
                )  # fmt: skip
    homes = outside.filter(pl.col("contradiction_probe") == probe.name)
    return {
        "name": probe.name,
        "label": probe.label_at(3 if lines.one == "line" else 2),
        "measured": what_is_measured(probe.name, lines),
        "main": _by_quantity([row for row in rows if row["is_main"]]),
        "rest": _by_quantity([row for row in rows if not row["is_main"]]),
        "figure": _figure(probe, bars),
        "can_contradict": any(quantity.decides is not None for quantity in quantities),
        "outside": homes.height,
        "homes": homes.select("site_id").head(MOST_NAMES).to_dicts(),
    }


def _by_quantity(rows: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    return [(name, list(group)) for name, group in groupby(rows, key=lambda row: str(row["quantity"]))]


def _figure(probe: Probe, bars: list[dict[str, Any]]) -> Figure:
    caption = ""
    if bars:
        bar = max(bars, key=lambda bar: bar["own"] / bar["shipped"])
        caption = (
            f"Right of 1: wider than in many fleets. Widest here: {bar['quantity']} ({bar['stratum']}), "
            f"{words.number(bar['own'] / bar['shipped'], 1)} times. Bars: 95 %, from how many homes each rests on."
        )
    empty = "No home here has data for this probe."
    return Figure(f"spread-{probe.name}", "How widely homes scatter here", spread_chart(bars), empty, caption)
