"""The crews' page: rates that are fair to the crews they are about, each with its interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.line_words import line_words
from pipeline.core.setting_sections import CrewSettings
from pipeline.report import words
from pipeline.report.crew_charts import fair_rates, funnel, most_judged, percent_interval, ratio_interval
from pipeline.report.crew_dots_chart import fault_dots, months
from pipeline.report.crew_words import (
    TERMS,
    change_lines,
    comparison_text,
    conclusions,
    control_limits,
    control_share,
    detectable,
    dispersion,
    how_counted,
    names_of,
    order_of_rows,
    training_line,
)
from pipeline.report.figures import Figure
from pipeline.report.names import crew_anchor, page_name

TABLES = (
    "crew_quality", "crew_home", "crew_fault", "crew_lesson", "crew_training", "crew_change", "crew_fleet"
)  # fmt: skip


def crews_context(
    tables: Mapping[str, pl.DataFrame], settings: CrewSettings, *, line_count: int | None = None
) -> dict[str, Any]:
    """Return the rows, sentences and pictures of the page.

    `tables` holds TABLES and the views crew_month and crew_position by name; `line_count` is the most lines that a home
    of the fleet has.
    """
    quality = tables["crew_quality"]
    fleet = tables["crew_fleet"].row(0, named=True)
    names = {
        row["crew_id"]: f"{row['crew_name']} ({row['crew_id']})" if row["crew_name"] else row["crew_id"]
        for row in quality.iter_rows(named=True)
    }
    largest = set(most_judged(quality.filter(pl.col("heard") > 0), settings.chart_crews)["crew_id"])
    crews = [crew for crew in quality["crew_id"] if crew in largest]  # those with a row in the pictures
    retell = line_words(line_count).retell
    return {
        "rows": [_row(row, settings) for row in quality.iter_rows(named=True)],
        "conclusions": conclusions(quality, fleet, settings),
        "order": order_of_rows(quality, settings),
        "counted": how_counted(fleet, settings),
        "terms": TERMS | {"Control limits": control_limits(settings)},
        "comparison": _comparison(quality, fleet, settings),
        "changes": change_lines(tables["crew_change"], names, settings),
        "over_time": Figure(
            "months",
            "Month by month",
            months(tables["crew_month"], tables["crew_change"], crews),
            "No install with data has a crew and a date of commissioning.",
            "Size: installs with data. Colour: share wrong from the first day. A bar before a dot marks a significant "
            "change of the crew beyond the fleet's own.",
        ),
        "kinds": _fault_figures(tables, crews, line_count),
        "lessons": [
            row | {"habit": retell(row["habit"] or "")}
            for row in tables["crew_lesson"].sort("crew_id", nulls_last=False).to_dicts()
        ],
        "trainings": [row | {"moved": training_line(row)} for row in tables["crew_training"].to_dicts()],
        "names": names,
        "percent_interval": percent_interval,
        "ratio_interval": ratio_interval,
    }


def _row(row: Mapping[str, Any], settings: CrewSettings) -> dict[str, Any]:
    more = {
        "comparison": comparison_text(row, settings),
        "detectable": detectable(row),
        "anchor": crew_anchor(row["crew_id"]),
        "page": f"crew/{page_name(row['crew_id'])}" if row["installs"] else None,
    }
    return {**row, **more}


def _comparison(quality: pl.DataFrame, fleet: Mapping[str, Any], settings: CrewSettings) -> list[Figure]:
    """Return the pictures in which ranked crews are compared."""
    outside = quality.filter("is_outside")["crew_id"].to_list()
    certain = quality.filter(pl.col("stands_out").is_not_null())["crew_id"].to_list()
    ranked = int(quality["is_ranked"].sum())
    crews = words.count(ranked, "ranked crew")
    funnel_caption = (
        f"Each dot is a crew; the line is the fleet's {words.number(fleet['fleet_rate'] * 100, 1)} %. An install that "
        "was not visited, or an easy one, counts for less than one effective install. Outside the "
        f"{control_share(settings)} control limits: {names_of(outside)}; by chance alone "
        f"{words.number(settings.limit_alpha * ranked, 1)} of {crews} would be. Significantly different with "
        f"all crews compared (false discovery rate at most {words.percent(settings.false_discovery)}): "
        f"{names_of(certain)}. {dispersion(fleet)}"
    )
    shown = min(ranked, settings.chart_crews)
    who = "" if shown == ranked else f"The {shown} crews with most judged installs. "
    rates_caption = (
        f"{who}Dot and bar: fair rate with its 95 % interval. Violet tick: unadjusted rate. Dashed line: the fleet. "
        "Where bars overlap, the order of the crews may be chance."
    )
    empty = f"No crew has {words.count(settings.min_judged, 'judged install')} yet, so none is compared."
    rates = fair_rates(quality, fleet["fleet_rate"], settings.chart_crews)
    return [
        Figure(
            "funnel",
            "Rates in the control limits",
            funnel(quality, fleet["fleet_rate"]),
            empty,
            funnel_caption,
        ),
        Figure("fair-rates", "Fair rate of each crew", rates, empty, rates_caption),
    ]


def _fault_figures(
    tables: Mapping[str, pl.DataFrame], crews: list[str], line_count: int | None
) -> list[Figure]:
    """Return which faults, by crew and by position of the CTs."""
    caption = (
        "Ring: faults found and expected; filled: found by a visit. These are counts, so crews with more installs have "
        "bigger rings."
    )
    empty = "No fault is known or likely."
    by_crew = fault_dots(tables["crew_fault"].drop_nulls("crew_id"), "crew_id", crews, line_count=line_count)
    position = tables["crew_position"]
    places = (
        position.group_by("ct_location", maintain_order=True)
        .agg(pl.col("heard").first())
        .sort("heard", "ct_location", descending=[True, False])
    )
    by_position = fault_dots(position, "ct_location", places["ct_location"].to_list(), line_count=line_count)
    counts = ", ".join(f"{words.plain(name)} {words.number(homes)}" for name, homes in places.iter_rows())
    return [
        Figure("crew-faults", "Which faults, by crew", by_crew, empty, caption),
        Figure(
            "position-faults",
            "Which faults, by position of the CTs",
            by_position,
            empty,
            f"{caption} Installs with data: {counts}.",
        ),
    ]
