"""A damaged run before tonight is an alarm that names the file and the run gone on from."""

from __future__ import annotations

from pipeline.nightly.damage_alarm import plan_damaged, run_damaged

LINE = "runs/2026-06-13/standing.parquet: cut short (1,204 of 5,310 bytes)"


def test_nothing_passed_over_is_no_alarm() -> None:
    assert run_damaged([], "2026-06-13") is None
    assert run_damaged((), None) is None


def test_the_alarm_names_every_run_and_where_the_night_goes_on() -> None:
    one = run_damaged([LINE], "2026-06-12")
    assert one is not None
    assert (one.severity, one.code, one.look) == ("alarm", "run_damaged", "`nightclamp verify OUT`")
    assert one.told == (
        f"{LINE}; tonight goes on from the run of 2026-06-12; the dates that only that night told are lost"
    )
    two = run_damaged([LINE, "runs/2026-06-12/run.json: missing"], None)
    assert two is not None
    assert two.told == (
        f"{LINE}; runs/2026-06-12/run.json: missing; there is no whole run before tonight: it begins anew, as a first"
        " night; the dates that only these nights told are lost"
    )


def test_a_plan_that_cannot_be_read_is_an_alarm_of_its_own() -> None:
    assert plan_damaged([]) is None
    told = plan_damaged(["dispatch/2026-06-12/dispatch.parquet: not a readable plan (x)"])
    assert told is not None
    assert (told.severity, told.code) == ("alarm", "plan_damaged")
    assert told.told.startswith(
        "dispatch/2026-06-12/dispatch.parquet: not a readable plan (x); homes planned"
    )
