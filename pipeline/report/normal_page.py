"""The page on what is normal here: how this fleet's right homes scatter, beside many fleets, and who lies outside."""

from __future__ import annotations

from itertools import groupby
from typing import Any

import polars as pl

from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes import PROBES
from pipeline.probes.probe import Probe
from pipeline.report import words
from pipeline.report.figures import Figure
from pipeline.report.names import page_name
from pipeline.report.normal_chart import spread_chart
from pipeline.report.normal_drift import moved_since, unlike_others
from pipeline.report.normal_words import MEASURED, QUANTITIES, STRATA, scatter
from pipeline.report.report_input import ReportInput
from pipeline.scoring.normal import MOST_HOMES

MOST_NAMES = 10
MOST_MOVES = 10
_ANY_ANGLE_DEG = 30.0
_MAIN_WITHOUT_FAULTS = 3  # rows shown at once of a probe none of whose quantities a fault moves one way


def normal_context(night: ReportInput, own: VerdictSettings, with_page: frozenset[str]) -> dict[str, Any]:
    """Return the template values of the page; `with_page` are the homes that have a page to link to."""
    outside = night.site_scores.drop_nulls("contradiction_probe").select(
        "site_id", "contradiction_probe", "likelihood"
    )
    # The phase of an answer that isn't there may be any: at the loads no production passes.
    normal, before = (
        None
        if table is None
        else table.filter((pl.col("unit") != "deg") | (pl.col("spread") < _ANY_ANGLE_DEG))
        for table in (night.fleet_normal, night.fleet_normal_before)
    )
    assert normal is not None
    compared = [probe for probe in PROBES if any(quantity.is_compared for quantity in probe.quantities)]
    return {
        "rate": _rate_words(night, own),
        "outside": outside.height,
        "unlike": _first(unlike_others(normal)),
        "moved": _first(moved_since(normal, before)),
        "is_first_night": night.fleet_normal_before is None,
        "blocks": [_block(probe, normal, outside, with_page) for probe in compared],
    }


def _rate_words(night: ReportInput, own: VerdictSettings) -> str:
    heard = night.counts.homes - night.counts.homes_silent
    used = min(heard, MOST_HOMES)
    part = "" if used == heard else f", an even part of the {words.number(heard)} with data"
    return (
        f"{words.number(100 * night.base_rate, 1)} % of this fleet's homes have a fault, by what the data of "
        f"{words.count(used, 'home')}{part} make likeliest together. The usual share before looking counts as "
        f"{words.count(round(own.rate_homes), 'home')} beside them, so a small fleet stays near it."
    )


def _first(lines: list[str]) -> dict[str, Any]:
    return {"count": len(lines), "lines": lines[:MOST_MOVES], "rest": max(0, len(lines) - MOST_MOVES)}


def _block(
    probe: Probe, normal: pl.DataFrame, outside: pl.DataFrame, with_page: frozenset[str]
) -> dict[str, Any]:
    here = normal.filter((pl.col("probe") == probe.name) & (pl.col("homes") > 0))
    quantities = [quantity for quantity in probe.quantities if quantity.is_compared]
    main = {quantity.name for quantity in quantities if quantity.wrong}
    main = main or {quantity.name for quantity in quantities[:_MAIN_WITHOUT_FAULTS]}
    rows, drawn = [], []
    for quantity in quantities:
        name = QUANTITIES[f"{probe.name}.{quantity.name}"]
        for row in here.filter(pl.col("quantity") == quantity.name).iter_rows(named=True):
            stratum = STRATA[row["stratum"]]
            told = [
                scatter(quantity.name, row["unit"], row[f"{whose}_centre"], row[f"{whose}_spread"])
                for whose in ("own", "shipped")
            ]
            rows.append(
                {
                    "quantity": name, "stratum": stratum, "here": told[0], "many": told[1],
                    "rests_on": words.count(row["homes"], "home"), "is_main": quantity.name in main,
                }
            )  # fmt: skip
            if quantity.name in main and row["own_spread"] and row["shipped_spread"]:
                drawn.append(
                    {
                        "quantity": name, "stratum": stratum, "own": row["own_spread"],
                        "shipped": row["shipped_spread"], "values": row["homes"],
                    }
                )  # fmt: skip
    homes = outside.filter(pl.col("contradiction_probe") == probe.name).sort(
        "likelihood", "site_id", descending=[True, False]
    )
    return {
        "name": probe.name,
        "label": probe.label,
        "measured": MEASURED[probe.name],
        "main": _by_quantity([row for row in rows if row["is_main"]]),
        "rest": _by_quantity([row for row in rows if not row["is_main"]]),
        "figure": _figure(probe, drawn),
        "can_contradict": any(quantity.decides is not None for quantity in quantities),
        "outside": homes.height,
        "homes": [
            {"site_id": site_id, "page": f"home/{page_name(site_id)}" if site_id in with_page else None}
            for site_id in homes["site_id"].head(MOST_NAMES).to_list()
        ],
    }


def _by_quantity(rows: list[dict[str, Any]]) -> list[tuple[str, list[dict[str, Any]]]]:
    return [(name, list(own)) for name, own in groupby(rows, key=lambda row: str(row["quantity"]))]


def _figure(probe: Probe, drawn: list[dict[str, Any]]) -> Figure:
    spec = spread_chart(drawn)
    caption = ""
    if spec is not None:
        ratios = [(item["own"] / item["shipped"], item) for item in drawn]
        widest, item = max(ratios, key=lambda pair: pair[0])
        caption = (
            f"Right of 1: wider than in many fleets. Widest here: {item['quantity']} ({item['stratum']}), "
            f"{words.number(widest, 1)} times. Bars: 95 %, from how many homes each rests on."
        )
    empty = "No home here has data for this probe."
    return Figure(f"spread-{probe.name}", "How widely homes scatter here", spec, empty, caption)
