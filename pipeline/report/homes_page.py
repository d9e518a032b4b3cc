"""The page of any home of the fleet: its script shows a home's record, or the homes of a group."""

from __future__ import annotations

from typing import Any

from pipeline.report.home_groups import GROUPS, group_counts
from pipeline.report.home_lines import words_of_fleet
from pipeline.report.report_input import ReportInput

# Fields of a record in reading order, under what they are called.
FIELDS = (
    ("Status", "status"), ("Since", "status_since"), ("Why", "status_why"), ("On the list", "rank"),
    ("Fix by", "fix_by"),
    ("Visit planned for", "planned"), ("Last visit", "visited"), ("Evidence", "evidence"),
    ("No right install shows this", "contradiction"), ("Fault since", "since"), ("What changed then", "onset_evidence"),
    ("Why unproven", "unproven_why"), ("What would settle it", "need"), ("Response to PV", "slopes"),
    ("Nights of data", "nights"), ("Area", "area"), ("Commissioned", "commissioned"),
)  # fmt: skip


def homes_context(night: ReportInput) -> dict[str, Any]:
    """Return the template values of the page."""
    counts = group_counts(night.site_scores)
    lines = words_of_fleet(night.site_scores, night.sites)
    groups = [
        {"group": group, "name": name, "text": lines.spell(text), "homes": counts[group]}
        for group, (name, text) in GROUPS.items()
        if counts[group]
    ]
    return {"groups": groups, "homes": night.site_scores.height, "fields": FIELDS, "lines": lines}
