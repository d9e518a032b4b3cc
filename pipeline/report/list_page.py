"""The page Expected value: what going brings, from which likelihood it pays, and predicted against found."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.settings import Settings
from pipeline.report import words
from pipeline.report.curve_chart import MOST_MONTHS, confirmed_chart, decision_curve_chart, hit_rate_chart
from pipeline.report.figures import Figure
from pipeline.report.report_input import ReportInput
from pipeline.worklist.energy_so_far_text import so_far_text
from pipeline.worklist.home_status_text import Reason

TABLES = (
    "worth", "revisit_list", "standing", "chance", "hit_rate", "decision_curve", "list_cut",
)  # fmt: skip
WAYS = {"visit": "site visits", "office": "remote fixes"}
_UNITS = {"visit": "visit", "office": "check"}


def list_context(night: ReportInput, settings: Settings) -> dict[str, Any]:
    """Return the template values of the page Expected value."""
    tables = night.list_tables
    cuts = {row["fix_by"]: row for row in tables["list_cut"].iter_rows(named=True)}
    threshold = cuts["visit"]["threshold"] if "visit" in cuts else None
    listed = tables["revisit_list"].sort("rank").head(settings.report.home_pages)
    months = tables["hit_rate"].partition_by("fix_by", as_dict=True)
    return {
        "currency": settings.ranking.currency,
        "ranking": settings.ranking,
        "held_share": 1 - settings.hit_rate.alpha,
        "cuts": [row | {"name": WAYS[way]} for way, row in cuts.items() if row["homes"]],
        "trucks_cut": cuts.get("visit"),
        "curves": _curves(tables["decision_curve"], threshold),
        "rates": [_rate(way, months[(way,)]) for way in WAYS if (way,) in months],
        "ways": WAYS,
        "chances": tables["chance"].to_dicts(),
        "settled": tables["chance"].filter(pl.col("fault").is_null())["settled"].sum(),
        "homes": [row | {"so_far": so_far_text(row)} for row in listed.to_dicts()],
        "listed": tables["revisit_list"].height,
        "beyond": tables["standing"].filter(pl.col("reason") == Reason.BEYOND_END).height,
    }


def _curves(curve: pl.DataFrame, threshold: float | None) -> list[Figure]:
    visits = words.count(int(curve["visited"][0]) if curve.height else 0, "visit")
    caption = (
        "Net benefit: visits that find a fault less no-fault-found visits, these weighed by t / (1 − t) at likelihood "
        "t. Visiting by likelihood pays off where its curve is above both others."
    )
    if threshold is not None and curve.height:
        row = curve.row(int((curve["threshold"] - threshold).abs().arg_min() or 0), named=True)
        model, everyone = (words.number(row[name] * 100, 1) for name in ("model", "visit_all"))
        caption += (
            f" At this fleet's break-even of {words.percent(threshold)}, of 100 homes: {model} by likelihood, "
            f"{everyone} if every home were visited, 0 if none were."
        )
    return [
        Figure(
            "curve",
            "Decision curve by tonight's likelihoods",
            decision_curve_chart(curve, threshold),
            "No home to visit.",
            caption,
        ),
        Figure(
            "confirmed",
            "Decision curve among the homes visited",
            confirmed_chart(curve, threshold),
            f"{visits} of listed homes so far: too few to compare.",
            f"{visits} compared with the list before them. Few homes below the break-even likelihood are visited, so "
            "the curves are less certain there. The band is the 95 % interval of what was found.",
        ),
    ]


def _rate(way: str, rates: pl.DataFrame) -> dict[str, Any]:
    months = rates.drop_nulls("month").sort("month")
    total = rates.filter(pl.col("month").is_null()).row(0, named=True)
    caption = (
        f"All months: {total['hits']} of {words.count(total['visits'], _UNITS[way])} found a fault, "
        f"{words.number(total['promised'], 1)} were predicted; if the likelihoods are right, {total['hits_low']} to "
        f"{total['hits_high']} would. The chart shows the last {MOST_MONTHS} months: "
        "grey, the range if the likelihoods are right; dash, predicted; line, the 95 % interval of what was found."
    )
    chart = hit_rate_chart(months.filter(pl.col("visits") > 0))
    title = f"{WAYS[way].capitalize()}, month by month"
    return {
        "way": way,
        "name": WAYS[way],
        "unit": _UNITS[way],
        "figure": Figure(f"rate-{way}", title, chart, "No month yet.", caption),
        "total": total,
        "months": months.reverse().to_dicts(),
        "drifted": months.drop_nulls("drift")["month"].to_list(),
    }
