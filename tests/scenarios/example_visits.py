"""Visits of the report's example night: one fix proved, one open, one that didn't hold, and records in doubt."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.worklist.home_events import SCHEMA as STORY
from pipeline.worklist.home_status import SCHEMA as STANDING
from pipeline.worklist.visit_conflicts import SCHEMA as DOUBT

HOSTILE_NOTE = "<img src=x onerror=alert(1)>"


def standings() -> pl.DataFrame:
    """Return standings: visited homes in every state a fix can be in, and one that was never visited."""
    said = {
        "as_of": date(2026, 6, 14),
        "outcome": "fixed",
        "found": "reversed",
        "found_leg": "l1",
        "is_listed": False,
    }
    rows = [
        said | {"site_id": "P-proved", "standing": "proved right by the data", "last_visit_on": date(2026, 6, 2),
                "proof": "proved right", "proved_on": date(2026, 6, 9),
                "cause": "said to be fixed on 2026-06-02, and so it is: 6 nights since the visit"},
        said | {"site_id": "P-older", "standing": "proved right by the data", "last_visit_on": date(2026, 2, 2),
                "proof": "proved right", "proved_on": date(2026, 2, 9), "cause": "long ago"},
        said | {"site_id": "P-open", "standing": "watching the data", "last_visit_on": date(2026, 6, 12),
                "proof": "too early to tell",
                "cause": "said to be fixed on 2026-06-12, proof takes about 4 nights: 2 nights since the visit"},
        said | {"site_id": "MH-20417", "standing": "still wrong after the visit", "last_visit_on": date(2026, 6, 1),
                "proof": "still wrong", "is_listed": True, "cause": "said to be fixed, but 94 % likely a fault"},
        {"site_id": "MH-20980", "as_of": date(2026, 6, 14), "standing": "waiting", "is_listed": True, "cause": "waits"},
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=STANDING)


def story() -> pl.DataFrame:
    """Return the story of a listed home, its newest event first, with a note nobody should run."""
    rows = [
        (
            "MH-20417",
            date(2026, 6, 3),
            date(2026, 6, 3),
            "standing",
            "k2",
            "still wrong after the visit: 94 % likely",
        ),
        (
            "MH-20417",
            date(2026, 6, 1),
            date(2026, 6, 2),
            "visit",
            "k1",
            f"visit V7: found reversed; {HOSTILE_NOTE}",
        ),
    ]
    return pl.DataFrame(rows, schema=STORY, orient="row")


def doubtful_visits() -> pl.DataFrame:
    """Return two visits that the data contradict."""
    rows = [
        (
            "V7",
            "MH-20417",
            date(2026, 6, 1),
            "C1",
            "reversed",
            "l1",
            True,
            "said to be fixed, but the data say no",
        ),
        (
            "V9",
            "MH-31122",
            date(2026, 6, 8),
            None,
            "sound",
            None,
            False,
            "the data since still say dead, 99 % likely",
        ),
    ]
    return pl.DataFrame(rows, schema=DOUBT, orient="row")
