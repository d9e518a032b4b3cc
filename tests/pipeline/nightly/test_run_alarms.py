"""Tonight against the run before: what jumped raises an alarm, what only differs is a note, a first night is quiet."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.nightly.run_alarms import Tonight, days_gone, list_up, no_rows, rejects_up, take_notes
from pipeline.nightly.run_diff import RunBefore, late

OWN = load_settings().alarm
NEWEST, EVE = date(2026, 6, 14), date(2026, 6, 13)
MADE = {
    "model_id": "m1",
    "versions": {"nightclamp": "1.0"},
    "settings": {"verdict": {"suspect": 0.5}, "day": {"a": 1}},
}
SAME = {
    "newly_listed": 0, "off_the_list": 0, "verdict": 0, "home_joined": 0, "home_gone": 0,
    "before_and_now": {"listed": [20, 20]},
}  # fmt: skip
NOT_LATE = late(None, {})


def record(used: int = 9_990, rejected: int = 10) -> dict[str, Any]:
    return {"rows_in": used + rejected, "used": used, "duplicate": 0, "rejected": rejected, "files": 1}


def days(count: int = 5, last: date = NEWEST) -> dict[str, dict[str, Any]]:
    return {str(last - timedelta(days=at)): record() for at in reversed(range(count))}


def standing(listed: int, homes: int = 100) -> pl.DataFrame:
    return pl.DataFrame(
        {"site_id": [f"h{n}" for n in range(homes)], "is_listed": [n < listed for n in range(homes)]}
    )


def run_before(listed: int = 20, nights: int = 9, **run: Any) -> RunBefore:
    scores = standing(0).select("site_id", nights=pl.lit(nights))
    return RunBefore(EVE, {**MADE, "days": days(last=EVE), **run}, scores, standing(listed))


@pytest.fixture
def tonight() -> Tonight:
    reasons = pl.DataFrame({"reason": ["l1_w is NaN or infinite", "unknown home"], "count": [2_500, 100]})
    return Tonight(NEWEST, days(), reasons, 0, standing(20), MADE, 7, is_first=False)


def notes(tonight: Tonight, before: RunBefore | None, **more: Any) -> dict[str, str]:
    changed = None if before is None else {**SAME, **more}
    return {
        line.code: line.told
        for line in take_notes(tonight, before, changed, late_days=NOT_LATE, settings=OWN)
    }


def test_a_night_like_the_one_before_raises_nothing(tonight: Tonight) -> None:
    before = run_before()

    assert [no_rows(tonight, before), rejects_up(tonight, before, OWN), list_up(tonight, before, OWN)] == [
        None
    ] * 3
    assert notes(tonight, before) == {
        "changed": "since the night of 2026-06-13: 0 newly listed, 0 off the list, 0 verdicts changed,"
        " 20 listed then, 20 now"
    }


def test_a_first_night_raises_nothing_that_is_a_change(tonight: Tonight) -> None:
    first = replace(
        tonight, is_first=True, standing=standing(90), days={**days(), str(NEWEST): record(6_000, 4_000)}
    )

    assert [no_rows(first, None), rejects_up(first, None, OWN), list_up(first, None, OWN)] == [None] * 3
    assert notes(first, None) == {}


@pytest.mark.parametrize(
    ("missing", "before", "told"),
    [
        pytest.param([NEWEST], run_before(), "no usable row at all for 2026-06-14", id="the newest"),
        pytest.param([NEWEST], None, "no usable row at all for 2026-06-14", id="the newest of a first night"),
        pytest.param([EVE], run_before(), None, id="one that the run before had to do without too"),
        pytest.param([EVE], replace(run_before(), as_of=date(2026, 6, 12)), "no usable row at all for 2026-06-13",
                     id="one in between"),
    ],
)  # fmt: skip
def test_a_day_that_is_missing_altogether(
    tonight: Tonight, missing: list[date], before: RunBefore | None, told: str | None
) -> None:
    held = {day: held for day, held in days().items() if date.fromisoformat(day) not in missing}

    found = no_rows(replace(tonight, days=held), before)

    assert (found.told if found else None) == told


def test_a_day_whose_rows_are_all_rejected_is_missing_too_and_told_once(tonight: Tonight) -> None:
    spoilt = replace(tonight, days={**days(), str(NEWEST): record(0, 10_000)})

    found = no_rows(spoilt, run_before())

    assert found is not None
    assert found.told == "no usable row at all for 2026-06-14; 10,000 rows came, all rejected"
    assert found.look.startswith("rejects.parquet")
    assert rejects_up(spoilt, run_before(), OWN) is None


@pytest.mark.parametrize(
    ("now", "usual", "raises"),
    [
        pytest.param(record(7_400, 2_600), record(), True, id="a quarter at once"),
        pytest.param(
            record(7_400, 2_600), record(8_000, 2_000), False, id="a source that is always that bad"
        ),
        pytest.param(record(8_100, 1_900), record(), False, id="a few more than usual"),
        pytest.param(record(100, 800), record(), False, id="a small fleet"),
    ],
)
def test_the_share_of_rejects_jumps(
    tonight: Tonight, now: dict[str, Any], usual: dict[str, Any], raises: bool
) -> None:
    found = rejects_up(
        replace(tonight, days={**days(), str(NEWEST): now}),
        run_before(days=dict.fromkeys(days(last=EVE), usual)),
        OWN,
    )

    assert (found is not None) == raises
    if found:
        assert found.told == (
            "2,600 of 10,000 rows of 2026-06-14 rejected (26%; usually 0.1%),"
            " most (2,500) for: l1_w is NaN or infinite"
        )


@pytest.mark.parametrize(
    ("was", "now", "nights", "told"),
    [
        pytest.param(20, 40, 9, "from 20 to 40 homes", id="doubled overnight"),
        pytest.param(0, 10, 9, "from 0 to 10 homes", id="from nothing"),
        pytest.param(20, 39, 9, None, id="not quite doubled"),
        pytest.param(3, 12, 9, None, id="a short list has grown by less than ten"),
        pytest.param(20, 60, 6, None, id="homes that were in their first nights"),
    ],
)
def test_a_list_that_doubled(tonight: Tonight, was: int, now: int, nights: int, told: str | None) -> None:
    found = list_up(replace(tonight, standing=standing(now)), run_before(was, nights), OWN)

    assert (found is not None) == (told is not None)
    if found and told:
        assert told in found.told


def test_homes_commissioned_since_are_not_growth_of_the_list(tonight: Tonight) -> None:
    newly = pl.DataFrame({"site_id": [f"new{n}" for n in range(50)], "is_listed": True})

    assert list_up(replace(tonight, standing=pl.concat([standing(20), newly])), run_before(), OWN) is None


@pytest.mark.parametrize(
    ("change", "code", "told"),
    [
        pytest.param({"model_id": "m0"}, "model", "another model than on 2026-06-13: m0 then, m1 now", id="model"),
        pytest.param({"versions": {"nightclamp": "0.9"}}, "version", "nightclamp 0.9 then, 1.0 now", id="version"),
        pytest.param({"settings": {"verdict": {"suspect": 0.6}, "day": {"a": 1}}}, "settings",
                     "settings turned since: verdict", id="settings"),
    ],
)  # fmt: skip
def test_what_the_night_is_made_with_is_a_note(
    tonight: Tonight, change: dict[str, Any], code: str, told: str
) -> None:
    found = notes(tonight, run_before(**change))

    assert list(found) == ["changed", code]
    assert told in found[code]


def test_other_notes_say_what_is_good_to_know(tonight: Tonight) -> None:
    shrunk = notes(replace(tonight, standing=standing(10)), run_before(20))
    apart = notes(tonight, replace(run_before(), as_of=date(2026, 6, 10)), home_joined=3)
    unread = notes(replace(tonight, unread=1), run_before())
    holes = {day: held for day, held in days().items() if day != "2026-06-12"}

    assert shrunk["list_down"] == "the list has shrunk from 20 to 10 homes"
    assert apart["nights_apart"] == "the run before is of 2026-06-10, 4 nights ago"
    assert "3 homes joined, 0 gone" in apart["changed"]
    assert unread["unread"] == "1 file of 2026-06-14 can't be read"
    assert notes(replace(tonight, days=holes, is_first=True), None) == {
        "days_missing": "no usable row for 2026-06-12"
    }
    assert "no_comparison" in notes(tonight, None)


def test_days_gone_from_the_midst_of_the_lake_are_an_alarm() -> None:
    assert days_gone(NOT_LATE) is None
    found = days_gone({**NOT_LATE, "gone": ["2026-06-09", "2026-06-10"]})

    assert found is not None
    assert (found.severity, found.told) == (
        "alarm", "2 days that the run before had are no longer in the lake: 2026-06-09, 2026-06-10",
    )  # fmt: skip


def test_a_lake_that_keeps_less_is_noted_with_the_days_it_let_go(tonight: Tonight) -> None:
    let_go = {**NOT_LATE, "retired": ["2026-06-07", "2026-06-08", "2026-06-09"]}

    found = take_notes(tonight, run_before(), SAME, late_days=let_go, settings=OWN)

    assert [line.told for line in found if line.code == "retention"] == [
        "the lake keeps less than it did: it begins on 2026-06-10, and 3 days that the run before had are gone,"
        " 2026-06-07 to 2026-06-09; a fault's beginning that was found stays"
    ]


def test_late_days_are_noted_with_their_rows_where_they_brought_any(tonight: Tonight) -> None:
    before = run_before()
    more = {**days(), "2026-06-12": {**record(10_086, 10), "files_digest": "x"}}

    found = take_notes(tonight, before, SAME, late_days=late(before, more), settings=OWN)

    assert [line.told for line in found if line.code == "late"] == [
        "other rows than in the run before for 2026-06-12: +96 in, +96 used"
    ]
