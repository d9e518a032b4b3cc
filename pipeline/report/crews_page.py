"""The crews' page: rates that are fair to whom they are about, each with how sure it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.setting_sections import CrewSettings
from pipeline.report import words
from pipeline.report.crew_charts import fair_rates, funnel, most_judged, percent_interval, ratio_interval
from pipeline.report.crew_dots_chart import fault_dots, months
from pipeline.report.crew_words import change_lines, dispersion, how_counted
from pipeline.report.figures import Figure

TABLES = ("crew_quality", "crew_fault", "crew_lesson", "crew_training", "crew_change", "crew_fleet")
_STANDING = {"worse": "worse than the fleet", "better": "better than the fleet"}


def crews_context(tables: Mapping[str, pl.DataFrame], settings: CrewSettings) -> dict[str, Any]:
    """Return the rows, sentences and pictures of the page.

    `tables` holds TABLES and the views crew_month and crew_position by name.
    """
    quality = tables["crew_quality"]
    fleet = tables["crew_fleet"].row(0, named=True)
    names = {
        row["crew_id"]: f"{row['crew_name']} ({row['crew_id']})" if row["crew_name"] else row["crew_id"]
        for row in quality.iter_rows(named=True)
    }
    largest = set(most_judged(quality.filter(pl.col("heard") > 0), settings.chart_crews)["crew_id"])
    crews = [crew for crew in quality["crew_id"] if crew in largest]  # those with a row in the pictures
    return {
        "rows": [row | {"standing": _standing(row)} for row in quality.iter_rows(named=True)],
        "min_judged": settings.min_judged,
        "fleet_rate": f"{words.number(fleet['fleet_rate'] * 100, 1)} %",
        "counted": how_counted(fleet, settings),
        "comparison": _comparison(quality, fleet, settings),
        "changes": change_lines(tables["crew_change"], names, settings),
        "over_time": Figure(
            "months",
            "Month by month",
            months(tables["crew_month"], tables["crew_change"], crews),
            "No install with data has a crew and a date of commissioning.",
            "Size: installs with data; colour, by the key: share wrong from the first day. A bar before a dot marks "
            "a change of the crew beyond the fleet's own.",
        ),
        "kinds": _fault_figures(tables, crews),
        "lessons": tables["crew_lesson"].sort("crew_id", nulls_last=False).to_dicts(),
        "trainings": tables["crew_training"].to_dicts(),
        "names": names,
        "percent_interval": percent_interval,
        "ratio_interval": ratio_interval,
    }


def _standing(row: Mapping[str, Any]) -> str:
    """Return where a ranked crew stands beside the fleet, and what would have been seen had it been so."""
    if not row["is_ranked"]:
        return words.NOTHING
    if row["stands_out"]:
        return _STANDING[row["stands_out"]]
    if row["is_outside"]:
        return "outside 95 %, maybe luck"
    if row["seen_from"] is None:
        return "not told apart"
    return f"not told apart; {words.number(row['seen_from'], 1)} times the fleet would show"


def _comparison(quality: pl.DataFrame, fleet: Mapping[str, Any], settings: CrewSettings) -> list[Figure]:
    """Return the pictures in which ranked crews are compared."""
    outside = quality.filter("is_outside")["crew_id"].to_list()
    certain = quality.filter(pl.col("stands_out").is_not_null())["crew_id"].to_list()
    ranked = int(quality["is_ranked"].sum())
    funnel_caption = (
        f"{words.count(ranked, 'crew')} around the fleet's {words.number(fleet['fleet_rate'] * 100, 1)} %. "
        f"Outside the 95 % limits: {', '.join(outside) or 'none'}; luck alone puts about "
        f"{words.number(settings.limit_alpha * ranked, 1)} there. Standing out with that allowed for "
        f"(false discoveries at most {words.percent(settings.false_discovery)}): {', '.join(certain) or 'none'}. "
        f"{dispersion(fleet)}"
    )
    rates_caption = (
        "Dot and bar: the rate on the fleet's average installs, drawn to the fleet as far as few installs ask for it, "
        "with its 95 % interval. Violet tick: the plain estimate, neither. Dashed: the fleet. Crews whose bars overlap "
        "are not told apart by their order."
    )
    empty = f"No crew has {settings.min_judged} judged installs yet, so none is compared."
    rates = fair_rates(quality, fleet["fleet_rate"], settings.chart_crews)
    return [
        Figure("funnel", "Who stands out", funnel(quality, fleet["fleet_rate"]), empty, funnel_caption),
        Figure("fair-rates", "Fair rate of each crew", rates, empty, rates_caption),
    ]


def _fault_figures(tables: Mapping[str, pl.DataFrame], crews: list[str]) -> list[Figure]:
    """Return which faults, by crew and by position of the CTs."""
    caption = (
        "Ring: faults found and expected; filled: found by a visit. Counts: more installs, bigger rings."
    )
    empty = "No fault is known or likely."
    by_crew = fault_dots(tables["crew_fault"].drop_nulls("crew_id"), "crew_id", crews)
    position = tables["crew_position"]
    places = (
        position.group_by("ct_location", maintain_order=True)
        .agg(pl.col("heard").first())
        .sort("heard", "ct_location", descending=[True, False])
    )
    by_position = fault_dots(position, "ct_location", places["ct_location"].to_list())
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
