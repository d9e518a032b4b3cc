"""A safety call over its nights: never lost silently, ended only by a recorded repair that the data confirm."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.core.contract import SafetyCall
from pipeline.core.settings import load_settings
from pipeline.worklist.safety_call_text import CALL_NOW, CALLED, CLEARED, REPAIRED
from pipeline.worklist.safety_calls import SCHEMA, next_safety_calls

VERDICT = load_settings().verdict
MONDAY = date(2026, 6, 1)
ENOUGH = VERDICT.neutral_clear_nights


def night(number: int) -> date:
    return MONDAY + timedelta(days=number)


def seen(
    size: float | None = 3.0, error: float = 0.1, nights: int = 9, since: date | None = None
) -> dict[str, Any]:
    """What tonight's data say of home A: how far the voltages move apart, None: nothing is measured."""
    is_suspect = size is not None and size > VERDICT.neutral_v_per_kw
    return {
        "site_id": "A", "area": "North", "is_neutral_suspect": is_suspect, "neutral_v_per_kw": size,
        "neutral_v_per_kw_se": None if size is None else error, "nights": nights,
        "from_on": since or MONDAY - timedelta(days=29), "sag_l1": None if size is None else -size, "sag_l1_se": error,
        "sag_l2": size, "sag_l2_se": error,
    }  # fmt: skip


NO_DATA = seen(None, nights=0) | {"from_on": None}
OF_SIGNALS = ("site_id", "sag_l1", "sag_l1_se", "sag_l2", "sag_l2_se")


def called(on: int, repaired: int | None = None) -> tuple[str, date, date | None, None]:
    return ("A", night(on), None if repaired is None else night(repaired), None)


def live(*nights: tuple[int, dict[str, Any] | None, list[tuple[Any, ...]]]) -> list[dict[str, Any]]:
    """Run the nights (number, what is seen, the register); return home A's row after each, {} where it has none."""
    previous, rows = None, []
    volts = (
        "site_id",
        *(name for name in next(home for _, home, _ in nights if home) if name.startswith("sag_")),
    )
    for number, home, calls in nights:
        kinds = {"from_on": pl.Date, **dict.fromkeys((*volts[1:], "neutral_v_per_kw"), pl.Float64)}
        scores = pl.DataFrame([home or seen() | {"site_id": "other"}], schema_overrides=kinds)
        previous = next_safety_calls(
            previous,
            pl.DataFrame(calls, schema=pl.Schema(SafetyCall), orient="row"),
            scores,
            signals=scores.select(volts),
            as_of=night(number),
            settings=VERDICT,
        )
        assert previous.schema == SCHEMA
        rows.append(next(previous.filter(pl.col("site_id") == "A").iter_rows(named=True), {}))
    return rows


def statuses(rows: list[dict[str, Any]]) -> list[str | None]:
    return [row.get("status") for row in rows]


def test_a_loose_neutral_is_called_repaired_and_closed_once_the_data_since_agree() -> None:
    repair = [called(1, 2)]
    told = live(
        (0, seen(), []),
        (1, seen(), [called(1)]),
        (2, seen(), repair),
        (3, seen(0.3, nights=1, since=night(3)), repair),
        (2 + ENOUGH, seen(0.3, nights=ENOUGH, since=night(3)), repair),
        (20, seen(0.3, nights=18, since=night(3)), repair),
    )
    assert statuses(told) == [CALL_NOW, CALLED, REPAIRED, REPAIRED, CLEARED, CLEARED]
    assert [row["is_open"] for row in told] == [True, True, True, True, False, False]
    assert {row["since"] for row in told} == {MONDAY}
    assert [row["nights_open"] for row in told[:3]] == [1, 2, 3]
    assert [row["cleared_on"] for row in told] == [None] * 4 + [night(2 + ENOUGH)] * 2
    assert told[0]["told"] == "No call is recorded. The data show it"
    assert told[1]["told"] == "Called on 2026-06-02, today; no repair is recorded. The data show it"
    assert told[2]["told"] == "Repaired on 2026-06-03, as recorded; no data since"
    assert told[3]["told"].endswith(f"1 night of data since don't show it, {ENOUGH} are needed")
    assert (
        told[4]["told"] == f"Repaired on 2026-06-03, and {ENOUGH} nights of data since agree: 0.30 V per kW"
    )


def test_what_was_measured_stays_as_the_last_night_that_showed_it_said() -> None:
    shown, quiet = live((0, seen(), []), (1, seen(0.4, nights=10), []))
    assert shown["measured"].startswith(
        "V1 - V2 moves -3.00 V for each kW of L1 (standard error 0.10) and +3.00 V for each kW of L2 "
        "(standard error 0.10), by the data of 9 nights, 2026-05-03 to 2026-06-01. Right is minus on L1 and plus on L2"
    )
    assert f"suspected from {VERDICT.neutral_v_per_kw:g} V per kW" in shown["measured"]
    kept = ("measured", "shown_on", "v_per_kw", "v_per_kw_l2_se", "nights", "data_from")
    assert {name: quiet[name] for name in kept} == {name: shown[name] for name in kept}
    assert (shown["is_shown"], quiet["is_shown"]) == (True, False)


def test_a_scale_that_is_not_proved_is_told() -> None:
    (row,) = live((0, seen(3.0) | {"sag_l1": -6.0, "sag_l2": 6.1}, []))
    assert ", 3.00 V for each kW that flows, as the CTs may read less, by the data" in row["measured"]


@pytest.mark.parametrize(
    ("home", "words"),
    [
        pytest.param(NO_DATA, "No data in the window", id="the data stop"),
        pytest.param(seen(0.3), "9 nights of data don't show it now: a loose contact can come and go", id="calm"),
        pytest.param(None, "no longer in the register of homes", id="the home has gone"),
    ],
)  # fmt: skip
def test_a_call_without_a_repair_stays_open_whatever_the_data_do(
    home: dict[str, Any] | None, words: str
) -> None:
    told = live((0, seen(), []), (1, home, []), (40, home, []), (41, home, [called(41)]))
    assert statuses(told) == [CALL_NOW, CALL_NOW, CALL_NOW, CALLED]
    assert all(words in row["told"] for row in told[1:])
    assert (told[-1]["since"], told[-1]["area"]) == (MONDAY, "North")


def test_a_repair_that_the_data_since_contradict_is_a_call_again_until_another_is_recorded() -> None:
    first, second = [called(1, 2)], [called(1, 2), called(6, 7)]
    told = live(
        (0, seen(), []),
        (4, seen(2.0, nights=2, since=night(3)), first),
        (5, seen(0.3, nights=30, since=night(3)), first),  # calm again: the repair is refuted all the same
        (6, seen(0.3, nights=31, since=night(3)), [*first, called(6)]),
        (13, seen(0.3, nights=6, since=night(8)), second),
    )
    assert statuses(told) == [CALL_NOW, CALL_NOW, CALL_NOW, CALLED, CLEARED]
    assert told[1]["told"] == (
        "Repaired on 2026-06-03, as recorded, but 2 nights of data since still show it: call again"
    )
    assert told[2]["told"].endswith("but the data since showed it up to 2026-06-05: call again")


@pytest.mark.parametrize(
    "since_repair",
    [
        pytest.param(seen(0.3, nights=ENOUGH - 1, since=night(3)), id="too few nights"),
        pytest.param(seen(0.3, nights=ENOUGH), id="data of before the repair among them"),
        pytest.param(seen(None, nights=30, since=night(3)), id="too little load to tell"),
        pytest.param(seen(1.1, error=0.1, nights=30, since=night(3)), id="may still be as much"),
        pytest.param(NO_DATA, id="no data"),
    ],
)
def test_too_little_since_the_repair_closes_nothing(since_repair: dict[str, Any]) -> None:
    told = live((0, seen(), []), (40, since_repair, [called(1, 2)]))
    assert statuses(told) == [CALL_NOW, REPAIRED]


def test_a_closed_call_is_opened_anew_and_its_old_rows_of_the_register_say_nothing() -> None:
    repair = [called(1, 2)]
    told = live(
        (0, seen(), []),
        (9, seen(0.3, nights=6, since=night(3)), repair),
        (20, seen(2.5, since=night(15)), repair),
        (21, seen(2.5, since=night(15)), [*repair, called(21)]),
    )
    assert statuses(told) == [CALL_NOW, CLEARED, CALL_NOW, CALLED]
    assert [row["since"] for row in told] == [night(0), night(0), night(20), night(20)]
    assert (
        told[2]["told"] == "An earlier call was closed on 2026-06-10. No call is recorded. The data show it"
    )


def test_a_call_that_only_the_register_knows_is_open_until_its_repair_is_recorded() -> None:
    told = live(
        (0, seen(0.3), [called(0)]), (1, seen(0.3), [called(0, 1)]), (9, seen(0.3, since=night(2)), [called(0, 1)])
    )  # fmt: skip
    assert statuses(told) == [CALLED, REPAIRED, CLEARED]
    assert told[0]["measured"] is None
    assert live((0, seen(0.3), [called(0, 0)])) == [{}]


def test_calls_to_make_stand_above_those_that_wait() -> None:
    scores = pl.DataFrame([seen() | {"site_id": site} for site in "BAC"])
    register = pl.DataFrame([("A", MONDAY, None, None)], schema=pl.Schema(SafetyCall), orient="row")
    told = next_safety_calls(
        None, register, scores, signals=scores.select(OF_SIGNALS), as_of=MONDAY, settings=VERDICT
    )
    assert told.select("site_id", "status").rows() == [("B", CALL_NOW), ("C", CALL_NOW), ("A", CALLED)]


def test_three_lines_are_told_pair_by_pair_and_stay_as_the_last_night_that_showed_it_said() -> None:
    pairs = {
        "sag_l1_23": -2.6, "sag_l1_se_23": 0.2, "sag_l2_23": 2.7, "sag_l2_se_23": 0.2,
        "sag_l1_31": -2.8, "sag_l1_se_31": 0.3, "sag_l2_31": 2.9, "sag_l2_se_31": 0.3,
    }  # fmt: skip
    shown, quiet = live((0, seen(2.5) | pairs, []), (1, seen(0.2) | dict.fromkeys(pairs, 0.1), []))
    assert shown["measured"].startswith(
        "V1 - V2 moves -2.50 V for each kW of L1 (standard error 0.10) and +2.50 V for each kW of L2 "
        "(standard error 0.10); V2 - V3 moves -2.60 V for each kW of L2 (standard error 0.20) and +2.70 V for each kW "
        "of L3 (standard error 0.20); V3 - V1 moves -2.80 V for each kW of L3 (standard error 0.30) and +2.90 V for "
        "each kW of L1 (standard error 0.30), by the data of 9 nights"
    )
    assert "Right is minus on the first line of each pair and plus on the second" in shown["measured"]
    assert (quiet["measured"], quiet["v_per_kw_l2_31"]) == (shown["measured"], 2.9)


def test_a_pair_that_tells_alone_is_told_alone() -> None:
    lone = dict.fromkeys(("sag_l1", "sag_l2")) | {"sag_l1_23": -3.0, "sag_l1_se_23": 0.2, "sag_l2_23": 3.1}
    (row,) = live((0, seen(3.0) | lone | {"sag_l2_se_23": 0.2}, []))
    assert row["measured"].startswith("V2 - V3 moves -3.00 V for each kW of L2")
    assert "Right is minus on L2 and plus on L3" in row["measured"]
