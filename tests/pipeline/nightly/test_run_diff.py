"""What changed since the run before: who joined and left the list and why, which days are late, counts side by side."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.nightly.run_diff import (
    GONE,
    JOINED,
    LISTED,
    OFF,
    SCHEMA,
    VERDICT,
    RunBefore,
    changed_counts,
    changed_homes,
    late,
    read_run_before,
)  # fmt: skip

EVE = date(2026, 6, 13)
CROSSED = "CTs on each other's legs"
COUNTS = {
    "rows_in": 100, "rows_used": 98, "rows_duplicate": 0, "rows_rejected": 2, "homes": 4, "homes_silent": 0,
}  # fmt: skip


def scores(**verdicts: str) -> pl.DataFrame:
    """Table site_scores: home -> verdict; a suspect's likelihood is 0.9, others' 0.1."""
    return pl.DataFrame(
        [
            {"site_id": home, "area": "north", "verdict": verdict, "likelihood": 0.9 if verdict == "suspect" else 0.1,
             "suspected_fault": "legs_crossed", "nights": 9,
             "fault_likelihoods": {"legs_crossed": 0.8 if verdict == "suspect" else 0.1, "sound": 0.1}}
            for home, verdict in verdicts.items()
        ]
    )  # fmt: skip


def standings(**told: str) -> pl.DataFrame:
    """Table standing: home -> standing; "new tonight" and "waiting" are listed."""
    return pl.DataFrame(
        [
            {"site_id": home, "standing": standing, "cause": f"because of {home}",
             "is_listed": standing in ("new tonight", "waiting")}
            for home, standing in told.items()
        ]
    )  # fmt: skip


def day(rows_in: int = 96, digest: str | None = "f1", **more: int) -> dict[str, Any]:
    held = {"rows_in": rows_in, "used": rows_in, "duplicate": 0, "rejected": 0, "files": 1, **more}
    return held if digest is None else {**held, "files_digest": digest}


@pytest.fixture
def before() -> RunBefore:
    run = {"counts": COUNTS, "verdicts": {"suspect": 2, "sound": 2}, "days": {}}
    listed = standings(stays="waiting", fixed="waiting", turns="not listed", left="waiting")
    return RunBefore(EVE, run, scores(stays="suspect", fixed="suspect", turns="sound", left="sound"), listed)


@pytest.fixture
def tonight() -> tuple[pl.DataFrame, pl.DataFrame]:
    return (
        scores(stays="suspect", fixed="sound", turns="suspect", comes="sound"),
        standings(stays="waiting", fixed="proved right by the data", turns="new tonight", comes="not listed"),
    )


def test_each_change_of_a_home_is_told_with_its_reason(
    before: RunBefore, tonight: tuple[pl.DataFrame, pl.DataFrame]
) -> None:
    changed = changed_homes(before, *tonight)

    assert changed.schema == SCHEMA
    assert changed.drop("area").rows() == [
        ("left", GONE, "sound", None, "no longer in the register of homes"),
        ("comes", JOINED, None, "sound", "new in the register of homes"),
        ("turns", LISTED, "not listed", "new tonight", "because of turns"),
        ("fixed", OFF, "waiting", "proved right by the data", "because of fixed"),
        ("left", OFF, "waiting", None, "no longer in the register of homes"),
        (
            "fixed",
            VERDICT,
            "suspect",
            "sound",
            f"any fault 90 % likely before, 10 % now, most likely {CROSSED} (10 % this fault)",
        ),
        (
            "turns",
            VERDICT,
            "sound",
            "suspect",
            f"any fault 10 % likely before, 90 % now, most likely {CROSSED} (80 % this fault)",
        ),
    ]
    assert changed["area"].unique().to_list() == ["north"]


def test_counts_stand_side_by_side(before: RunBefore, tonight: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    changed = changed_homes(before, *tonight)

    told = changed_counts(
        before, changed, {**COUNTS, "rows_in": 120}, standing=tonight[1], verdicts={"suspect": 2, "sound": 2}
    )

    assert told is not None
    assert told.pop("before_and_now") == {
        "listed": [3, 2], "safety": [0, 0], "suspect": [2, 2], "unproven": [0, 0], "sound": [2, 2], "homes": [4, 4],
        "homes_silent": [0, 0], "rows_in": [100, 120], "rows_used": [98, 98], "rows_duplicate": [0, 0],
        "rows_rejected": [2, 2],
    }  # fmt: skip
    assert told == {
        "since": "2026-06-13", "newly_listed": 1, "off_the_list": 2, "verdict": 2, "home_joined": 1, "home_gone": 1,
        "off_the_list_by_standing": {"no longer in the register of homes": 1, "proved right by the data": 1},
        "verdict_by_turn": {"sound to suspect": 1, "suspect to sound": 1},
    }  # fmt: skip


def test_a_first_night_has_changed_nothing(tonight: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    changed = changed_homes(None, *tonight)

    assert (changed.schema, changed.height) == (SCHEMA, 0)
    assert changed_counts(None, changed, COUNTS, standing=tonight[1], verdicts={}) is None
    assert late(None, {"2026-06-14": day()}) == {
        "days": {},
        "gone": [],
        "retired": [],
        "rows_in": 0,
        "rows_used": 0,
    }


@pytest.mark.parametrize(
    ("was", "now", "moved"),
    [
        pytest.param(day(), day(), None, id="as it was"),
        pytest.param(
            day(), day(192, "f2", files=2), {"rows_in": 96, "files": 1, "is_by_files": True}, id="a late file"
        ),
        pytest.param(day(), day(96, "f2"), {"rows_in": 0, "is_by_files": True}, id="sent again with as many rows"),
        pytest.param(
            day(used=90, rejected=6), day(), {"rows_in": 0, "used": 6, "rejected": -6, "is_by_files": False},
            id="a home the register knows now",
        ),
        pytest.param(None, day(), {"rows_in": 96, "used": 96, "is_by_files": True}, id="a day that was missing"),
        pytest.param(day(digest=None), day(), None, id="an older version's run has no digest of files"),
    ],
)  # fmt: skip
def test_a_day_is_late_when_it_is_not_as_the_run_before_had_it(
    before: RunBefore, was: dict[str, Any] | None, now: dict[str, Any], moved: dict[str, Any] | None
) -> None:
    held = {"2026-06-11": day(), "2026-06-13": day()} | ({} if was is None else {"2026-06-12": was})
    days = {"2026-06-11": day(), "2026-06-12": now, "2026-06-13": day(), "2026-06-14": day(200, "new")}

    told = late(RunBefore(EVE, {"days": held}, before.scores, before.standing), days)

    assert list(told["days"]) == ([] if moved is None else ["2026-06-12"])
    if moved is not None:
        assert {name: told["days"]["2026-06-12"][name] for name in moved} == moved
        assert told["rows_in"] == moved["rows_in"]


def test_days_that_left_the_window_are_not_gone_but_those_within_are(before: RunBefore) -> None:
    held = {f"2026-06-{n}": day() for n in (10, 11, 12, 13)}
    days = {f"2026-06-{n}": day() for n in (11, 13, 14)}

    told = late(RunBefore(EVE, {"days": held}, before.scores, before.standing), days)

    assert (told["gone"], told["days"]) == (["2026-06-12"], {})


@pytest.mark.parametrize(
    ("first_then", "first_now", "retired"),
    [
        pytest.param(5, 9, ["2026-06-05", "2026-06-06", "2026-06-07", "2026-06-08"], id="keeps less"),
        pytest.param(9, 10, [], id="keeps as many days as ever"),
        pytest.param(1, 9, [f"2026-06-0{n}" for n in range(3, 9)], id="what the window has left is not told"),
        pytest.param(9, 9, [], id="grows"),
    ],
)
def test_days_that_the_lake_let_go_are_told_where_it_keeps_less_than_before(
    before: RunBefore, first_then: int, first_now: int, retired: list[str]
) -> None:
    held, days = (
        {f"2026-06-{n:02}": day() for n in range(*span)} for span in ((first_then, 14), (first_now, 15))
    )
    window = (date(2026, 6, 3), date(2026, 6, 14))

    told = late(RunBefore(EVE, {"days": held}, before.scores, before.standing), days, window)

    assert (told["retired"], told["gone"]) == (retired, [])


@pytest.mark.parametrize(
    "damage", ["no run.json", "half a run.json", "half a table", "no tables", "no folder"]
)
def test_a_run_before_that_cant_be_read_is_none(before: RunBefore, tmp_path: Path, damage: str) -> None:
    before.scores.write_parquet(tmp_path / "site_scores.parquet")
    before.standing.write_parquet(tmp_path / "standing.parquet")
    (tmp_path / "run.json").write_text('{"as_of": "2026-06-13"}')
    whole = read_run_before(tmp_path)
    assert whole is not None
    assert whole.as_of == EVE

    for name in {"no run.json": ["run.json"], "no tables": ["standing.parquet"]}.get(damage, []):
        (tmp_path / name).unlink()
    for name in {"half a run.json": ["run.json"], "half a table": ["standing.parquet"]}.get(damage, []):
        (tmp_path / name).write_bytes((tmp_path / name).read_bytes()[:12])

    assert read_run_before(None if damage == "no folder" else tmp_path) is None
