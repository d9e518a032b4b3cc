"""The page on the list itself: what it is worth, where it is cut and why, and whether its promises hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.core.settings import Settings
from pipeline.report import words
from pipeline.report.curve_chart import confirmed_chart, decision_curve_chart, hit_rate_chart
from pipeline.report.figures import Figure
from pipeline.report.names import page_name
from pipeline.report.record_first import fault_shares
from pipeline.report.report_input import FaultCard
from pipeline.worklist.home_status_text import Reason

TABLES = (
    "worth", "revisit_list", "standing", "chance", "hit_rate", "decision_curve", "list_cut", "site_scores",
)  # fmt: skip
WAYS = {"visit": "truck visits", "office": "office checks"}


def list_context(
    tables: Mapping[str, pl.DataFrame],
    cards: Mapping[str, FaultCard],
    settings: Settings,
    with_page: frozenset[str],
) -> dict[str, Any]:
    """Return the template values of the page on the list.

    Parameters
    ----------
    tables
        The night's tables of these TABLES.
    cards
        Faults in words.
    with_page
        Homes that have a page to link to.
    """
    ranking = settings.ranking
    cuts = {row["fix_by"]: row for row in tables["list_cut"].iter_rows(named=True)}
    threshold = cuts["visit"]["threshold"] if "visit" in cuts else None
    listed = tables["revisit_list"].sort("rank").head(settings.report.home_pages)
    return {
        "currency": ranking.currency,
        "ranking": ranking,
        "held_share": 1 - settings.hit_rate.alpha,
        "cuts": [row | {"name": WAYS[way]} for way, row in cuts.items() if row["homes"]],
        "trucks_cut": cuts.get("visit"),
        "curves": _curves(tables["decision_curve"], threshold),
        "rates": [_rate(way, tables["hit_rate"]) for way in WAYS if _has_way(way, tables["hit_rate"])],
        "chances": [row | {"fault_name": _chance_of(row, cards)} for row in tables["chance"].to_dicts()],
        "homes": _homes(listed, tables["site_scores"], cards, with_page),
        "listed": tables["revisit_list"].height,
        "beyond": tables["standing"].filter(pl.col("reason") == Reason.BEYOND_END).height,
    }


def _chance_of(row: dict[str, Any], cards: Mapping[str, FaultCard]) -> str:
    return words.fault(row["fault"], cards) if row["fault"] else f"all {WAYS[row['fix_by']]}"


def _curves(curve: pl.DataFrame, threshold: float | None) -> list[Figure]:
    fleet = decision_curve_chart(curve, threshold)
    tested = confirmed_chart(curve, threshold)
    visited = int(curve["visited"][0]) if curve.height else 0
    few = f"{words.count(visited, 'visit')} of listed homes so far: too few to confirm a curve."
    return [
        Figure(
            "curve",
            "Where to cut, by tonight's likelihoods",
            fleet,
            "No home to visit.",
            _curve_words(curve, threshold),
        ),
        Figure(
            "confirmed",
            "The same among the homes visited",
            tested,
            few,
            _confirmed_words(visited) if tested else "",
        ),
    ]


def _curve_words(curve: pl.DataFrame, threshold: float | None) -> str:
    told = (
        "Net benefit is true visits less needless ones, a needless one weighed with threshold / (1 - threshold). "
        "A curve is worth having where it is above both others."
    )
    if threshold is None or curve.is_empty():
        return told
    at = curve.row(int((curve["threshold"] - threshold).abs().arg_min() or 0), named=True)
    return (
        f"{told} At this fleet's {words.percent(threshold)}: {words.number(at['model'] * 100, 1)} true visits in 100 "
        f"homes net, {words.number(at['visit_all'] * 100, 1)} if every home were visited, 0 if nobody went."
    )


def _confirmed_words(visited: int) -> str:
    return (
        f"{words.count(visited, 'visit')} that test a promise. Visits went where the list sent them, so below the cut "
        "few homes stand behind the lines. The band is the 95 % interval of what was found."
    )


def _has_way(way: str, rates: pl.DataFrame) -> bool:
    return not rates.filter(pl.col("fix_by") == way).is_empty()


def _rate(way: str, rates: pl.DataFrame) -> dict[str, Any]:
    own = rates.filter(pl.col("fix_by") == way)
    months = own.drop_nulls("month").sort("month")
    total = own.filter(pl.col("month").is_null()).row(0, named=True)
    drifted = months.drop_nulls("drift")["month"].to_list()
    spec = hit_rate_chart(months.filter(pl.col("visits") > 0))
    caption = (
        f"All months: {total['hits']} of {words.count(total['visits'], 'visit')} found a fault, "
        f"{words.number(total['promised'], 1)} were promised; if the promises hold, {total['hits_low']} to "
        f"{total['hits_high']} would."
    )
    return {
        "way": way,
        "name": WAYS[way],
        "figure": Figure(
            f"rate-{way}", f"{WAYS[way].capitalize()}, month by month", spec, "No month yet.", caption
        ),
        "total": total,
        "months": months.to_dicts(),
        "drifted": drifted,
    }


def _homes(
    frame: pl.DataFrame, scores: pl.DataFrame, cards: Mapping[str, FaultCard], with_page: frozenset[str]
) -> list[dict[str, Any]]:
    shares = fault_shares(scores, frame["site_id"].to_list())
    return [
        row
        | {
            "fault_name": words.fault(row["suspected_fault"], cards),
            "fault_likelihood": shares.get(row["site_id"], {}).get(row["suspected_fault"]),
            "page": f"home/{page_name(row['site_id'])}" if row["site_id"] in with_page else None,
        }
        for row in frame.iter_rows(named=True)
    ]
