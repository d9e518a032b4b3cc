"""What the terminal shows of a night: names are letters, never mark-up or commands to the terminal."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from pipeline.commands.console import show_night, teller
from pipeline.nightly.run import NightResult
from pipeline.worklist.revisit_list import SCHEMA

COUNTS = dict.fromkeys(
    ("rows_in", "rows_used", "rows_duplicate", "rows_rejected", "homes", "homes_silent"), 0
)


def listed(site_id: str) -> pl.DataFrame:
    row = {
        "rank": 1, "site_id": site_id, "likelihood": 0.9, "fault_likelihood": 0.86,
        "suspected_fault": "dead", "leg": "l1",
        "fix_by": "visit",
        "evidence": f"zero; {site_id}",
    }  # fmt: skip
    return pl.DataFrame([{**dict.fromkeys(SCHEMA), **row}], schema=SCHEMA)


@pytest.mark.parametrize(
    ("site_id", "shown"),
    [("[/]", "[/]"), ("[red]x[/red]", "[red]x[/red]"), (":smile:", ":smile:"), ("\x1b[2Jx", "\\x1b[2Jx")],
)
def test_a_home_is_shown_as_it_is_named(site_id: str, shown: str) -> None:
    console = Console(file=io.StringIO(), width=200)
    result = NightResult(
        folder=Path("out"), as_of=date(2025, 6, 1), revisit_list=listed(site_id), alarm=pl.DataFrame(),
        counts=COUNTS, fresh_days=0, seconds={}, model_note="shipped",
    )  # fmt: skip

    teller(console)(site_id)
    show_night(console, result, 15, lines=[])

    told = console.file.getvalue()  # type: ignore[attr-defined]
    assert told.count(shown) >= 2
    assert "86 %" in told
    assert "90 %" in told
    assert "this fault" in told
    assert "any fault" in told
    assert "\x1b[2J" not in told
