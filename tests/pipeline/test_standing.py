"""A home's standing from night to night, as short stories."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.contract import FAULTS, Visit
from pipeline.fix_proof import SCHEMA as PROOF
from pipeline.planned import PLANS
from pipeline.settings import load_settings
from pipeline.standing import SCHEMA, next_standing
from pipeline.standing_words import STANDINGS

SETTINGS = load_settings()
MONDAY = date(2026, 6, 1)


def night(number):
    return MONDAY + timedelta(days=number)


def scored(likelihood=0.9, fault="reversed", verdict=None, from_on=None, onset_on=None, nights=20, **others):
    """One home's row of site_scores; the rest of the likelihood goes to sound, `others` to other faults."""
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | {fault: likelihood - sum(others.values())} | others
    shares["sound"] = 1 - likelihood
    suspected = max(shares, key=shares.get)
    usual = "suspect" if likelihood >= 0.5 else "sound" if likelihood < 0.2 else "unproven"
    return {
        "site_id": "A", "likelihood": likelihood, "suspected_fault": suspected,
        "leg": None if suspected == "sound" else "l1",
        "verdict": verdict or usual,
        "fault_likelihoods": shares, "onset_on": onset_on, "from_on": from_on or MONDAY - timedelta(days=29),
        "nights": nights,
    }  # fmt: skip


def visit(on, found, fixed=False):
    return {"visit_id": f"V{on}", "site_id": "A", "visited_on": on, "found": found, "fixed": fixed}


def frame(rows):
    schema = {"onset_on": pl.Date, "from_on": pl.Date, "leg": pl.String}
    return pl.DataFrame(rows, schema_overrides=schema)


def frame_visits(*rows):
    return pl.DataFrame(list(rows), schema=pl.Schema(Visit))


def proofs(proof=None, told="4 nights since the visit", nights=4, wanted=None):
    """What the data since the home's visit say; no row without a proof."""
    row = {
        "site_id": "A", "proof": proof, "still_wrong_share": 0.1, "nights_since": nights, "nights_wanted": wanted,
        "proof_told": told,
    }  # fmt: skip
    return pl.DataFrame([row] if proof else [], schema=PROOF)


def planned(on=None, made_on=MONDAY):
    row = {"site_id": "A", "planned_on": on, "truck_id": "T1", "planned_made_on": made_on}
    return pl.DataFrame([row] if on else [], schema=PLANS)


def tell(nights, visits=(), previous=None, plan=None):
    """Run the nights (number, row[, proof]) in order; return the home's standing after each."""
    register = frame_visits(*visits)
    told = []
    for number, row, *proof in nights:
        previous = next_standing(
            previous,
            frame([row]),
            register,
            proof[0] if proof else proofs(),
            planned(plan),
            night(number),
            SETTINGS,
        )
        told.append(previous.row(0, named=True))
    return told


def standings(told):
    return [row["standing"] for row in told]


def since_visit(on, likelihood, **more):
    """A row whose data are those since a visit on night `on`."""
    return scored(likelihood, from_on=night(on + 1), **more)


def test_a_suspect_is_new_then_waits_and_its_nights_are_counted():
    told = tell([(0, scored()), (1, scored()), (2, scored())])
    assert standings(told) == ["new tonight", "waiting", "waiting"]
    assert [row["nights_listed"] for row in told] == [1, 2, 3]
    assert told[2]["listed_since"] == MONDAY
    assert told[2]["standing_since"] == night(1)
    assert told[0]["cause"] == "90 % likely to have a fault, reversed first of all"


def test_a_night_that_runs_again_gives_the_same_and_a_missed_night_breaks_nothing():
    first = next_standing(None, frame([scored()]), frame_visits(), proofs(), planned(), MONDAY, SETTINGS)
    once = next_standing(first, frame([scored()]), frame_visits(), proofs(), planned(), night(4), SETTINGS)
    again = next_standing(first, frame([scored()]), frame_visits(), proofs(), planned(), night(4), SETTINGS)
    assert once.equals(again)
    assert once["nights_listed"].item() == 5
    with pytest.raises(ValueError, match="not of a night earlier than 2026-06-05"):
        next_standing(once, frame([scored()]), frame_visits(), proofs(), planned(), night(4), SETTINGS)


def test_a_break_starts_the_count_anew():
    told = tell([(0, scored()), (1, scored(0.3)), (2, scored())])
    assert standings(told) == ["new tonight", "watching the data", "new tonight"]
    assert [row["nights_listed"] for row in told] == [1, 0, 1]
    assert [row["listed_since"] for row in told] == [MONDAY, None, night(2)]


def test_an_unproven_home_is_listed_from_the_setting_on():
    low, high = SETTINGS.ranking.list_from - 0.01, SETTINGS.ranking.list_from
    assert standings(tell([(0, scored(low))])) == ["not listed"]
    assert standings(tell([(0, scored(high))])) == ["new tonight"]


def test_a_fix_is_proved_by_the_data_since_the_visit_not_by_the_note():
    told = tell(
        [
            (0, scored()),
            (1, scored(), proofs("too early to tell", nights=0)),
            (2, since_visit(1, 0.3, nights=1), proofs("too early to tell", wanted=3, nights=1)),
            (5, since_visit(1, 0.02), proofs("proved right")),
            (6, since_visit(1, 0.1), proofs("too early to tell", nights=5)),
        ],
        [visit(night(1), "reversed", fixed=True)],
    )
    watched = "watching the data"
    assert standings(told) == ["new tonight", watched, watched, *["proved right by the data"] * 2]
    assert not any(row["is_listed"] for row in told[1:])
    assert told[1]["cause"] == "said to be fixed on 2026-06-02, no data since"
    assert told[2]["cause"] == (
        "said to be fixed on 2026-06-02, proof takes about 3 nights: 4 nights since the visit"
    )
    assert told[3]["cause"] == "said to be fixed on 2026-06-02, and so it is: 4 nights since the visit"
    assert (told[3]["proved_on"], told[3]["nights_to_proof"]) == (night(5), 4)
    # Once proved it stays so, with the night that proved it.
    assert (told[4]["proof"], told[4]["proved_on"], told[4]["cause"]) == (
        "proved right", night(5), told[3]["cause"],
    )  # fmt: skip


def test_a_fix_that_did_not_hold_comes_back_and_says_so():
    wrong = proofs("still wrong")
    told = tell(
        [(0, scored()), (1, scored()), (2, since_visit(1, 0.9), wrong), (3, since_visit(1, 0.3), wrong)],
        [visit(night(1), "reversed", fixed=True)],
    )
    assert standings(told)[2:] == ["still wrong after the visit"] * 2
    assert [row["nights_listed"] for row in told] == [1, 0, 1, 2]
    assert [row["nights_listed_all"] for row in told] == [1, 1, 2, 3]
    assert "said to be fixed on 2026-06-02" in told[2]["cause"]


def test_a_fix_neither_proved_nor_disproved_is_no_reason_for_a_second_truck():
    told = tell(
        [(0, scored()), (4, since_visit(1, 0.45), proofs("too early to tell", nights=3))],
        [visit(night(1), "reversed", fixed=True)],
    )
    assert (told[1]["standing"], told[1]["is_held"]) == ("watching the data", True)


def test_a_fix_is_proved_however_long_ago_the_visit_was():
    days = SETTINGS.ranking.visit_days
    told = tell([(5 + days, scored(0.02), proofs("proved right"))], [visit(night(1), "dead", fixed=True)])
    assert standings(told) == ["proved right by the data"]


def test_a_home_the_visit_left_unfixed_stays_listed_on_little_data():
    told = tell(
        [(0, scored()), (1, scored()), (2, since_visit(1, 0.3, nights=1)), (9, since_visit(1, 0.05))],
        [visit(night(1), "reversed", fixed=False)],
    )
    assert standings(told) == ["new tonight", *["visited, not fixed"] * 2, "cleared by the data"]
    assert [row["is_listed"] for row in told] == [True, True, True, False]


def test_a_home_found_sound_does_not_come_back_for_the_same_reason():
    told = tell(
        [(0, scored()), (1, scored()), (2, since_visit(1, 0.9)), (30, since_visit(1, 0.95))],
        [visit(night(1), "sound")],
    )
    assert standings(told)[1:] == ["found sound on site"] * 3
    assert [row["is_held"] for row in told] == [False, True, True, True]
    assert not any(row["is_listed"] for row in told[1:])
    assert told[3]["cause"] == "found sound on 2026-06-02; the data still look as they did before"


def test_a_different_fault_brings_a_home_found_sound_back():
    told = tell(
        [(0, scored()), (2, since_visit(1, 0.9)), (3, since_visit(1, 0.9, fault="dead"))],
        [visit(night(1), "sound")],
    )
    assert standings(told) == ["new tonight", "found sound on site", "new tonight"]
    assert told[2]["cause"].startswith("found sound on 2026-06-02, but another fault is suspected now")


def test_faults_that_trade_places_are_one_suspicion():
    swapped = since_visit(1, 0.9, fault="legs_crossed", reversed=0.4)
    told = tell([(0, scored(legs_crossed=0.4)), (2, swapped)], [visit(night(1), "sound")])
    assert standings(told)[1] == "found sound on site"


def test_what_began_after_the_visit_is_a_new_event():
    later = since_visit(1, 0.9, onset_on=night(9))
    told = tell([(0, scored()), (2, since_visit(1, 0.9)), (10, later)], [visit(night(1), "sound")])
    assert standings(told) == ["new tonight", "found sound on site", "new tonight"]


def test_found_sound_does_not_fade_but_said_to_be_fixed_does():
    days = SETTINGS.ranking.visit_days
    nights = [(1 + days, scored()), (2 + days, scored())]
    assert standings(tell(nights, [visit(night(1), "sound")])) == ["found sound on site"] * 2
    fixed = tell(nights, [visit(night(1), "reversed", fixed=True)])
    assert standings(fixed) == ["watching the data", "new tonight"]


def test_another_cause_found_is_a_reason_of_its_own():
    told = tell(
        [(0, scored()), (1, scored()), (30, since_visit(1, 0.95)), (31, since_visit(1, 0.9, fault="dead"))],
        [visit(night(1), "other")],
    )
    assert standings(told) == ["new tonight", *["another cause found on site"] * 2, "new tonight"]
    assert told[2]["cause"] == "another cause found on 2026-06-02; the data still look as they did before"
    assert told[3]["cause"].startswith(
        "another cause found on 2026-06-02, but another fault is suspected now"
    )


def test_a_planned_visit_is_a_standing_until_its_day_has_passed():
    told = tell([(0, scored()), (1, scored()), (2, scored()), (3, scored())], plan=night(2))
    assert standings(told) == ["visit planned", "visit planned", "visit planned", "waiting"]
    assert told[1]["cause"] == "listed since 2026-06-01, planned for 2026-06-03"
    assert told[3]["cause"] == "planned for 2026-06-03, no visit recorded"


def test_a_plan_from_before_the_visit_is_done_with():
    told = tell([(0, scored()), (3, since_visit(2, 0.9))], [visit(night(2), "reversed")], plan=night(2))
    assert (told[1]["standing"], told[1]["planned_on"]) == ("visited, not fixed", None)


def test_standings_of_an_older_version_are_read():
    first = next_standing(None, frame([scored()]), frame_visits(), proofs(), planned(), MONDAY, SETTINGS)
    older = first.drop("first_listed_on", "nights_listed_all", "proof", "planned_on")
    told = tell([(1, scored())], previous=older)
    assert (told[0]["standing"], told[0]["nights_listed_all"], told[0]["first_listed_on"]) == (
        "waiting", 2, MONDAY,
    )  # fmt: skip


def test_a_visit_that_no_night_remembers_holds_what_is_suspected_now():
    told = tell([(5, since_visit(1, 0.9))], [visit(night(1), "sound")])
    assert (told[0]["standing"], told[0]["held_fault"]) == ("found sound on site", "reversed")


def test_a_sound_visit_to_a_home_nobody_suspected_holds_nothing():
    told = tell([(0, scored(0.05)), (9, since_visit(1, 0.9))], [visit(night(1), "sound")])
    assert standings(told) == ["not listed", "new tonight"]


def test_a_suspicion_long_after_a_proved_fix_is_new():
    right = proofs("proved right")
    told = tell(
        [
            (0, scored()),
            (5, since_visit(1, 0.02), right),
            (6, since_visit(1, 0.02), right),
            (9, since_visit(1, 0.9), proofs("still wrong")),
        ],
        [visit(night(1), "reversed", fixed=True)],
    )
    assert standings(told)[1:] == [*["proved right by the data"] * 2, "new tonight"]
    assert told[2]["cause"] == told[1]["cause"]
    assert told[3]["cause"].startswith("settled before, now again")


def test_a_visit_told_late_and_one_of_tomorrow():
    early = tell([(0, scored()), (1, scored()), (2, scored())])
    assert standings(early)[2] == "waiting"
    known = next_standing(None, frame([scored()]), frame_visits(), proofs(), planned(), night(2), SETTINGS)
    told = tell([(3, since_visit(1, 0.9))], [visit(night(1), "sound"), visit(night(9), "dead")], known)
    assert standings(told) == ["found sound on site"]
    assert told[0]["last_visit_on"] == night(1)


def test_the_last_visit_speaks():
    visits = [visit(night(1), "reversed", fixed=False), visit(night(3), "reversed", fixed=True)]
    told = tell([(2, scored()), (8, since_visit(3, 0.04), proofs("proved right"))], visits)
    assert standings(told) == ["visited, not fixed", "proved right by the data"]


def test_a_listed_home_that_falls_silent_is_watched():
    told = tell([(0, scored()), (40, scored(0.05, verdict="unproven", nights=0))])
    assert (told[1]["standing"], told[1]["cause"]) == ("watching the data", "no data in the window")


def test_every_home_has_one_row_of_the_schema_whatever_is_known():
    rows = [scored() | {"site_id": name} for name in "CAB"]
    told = next_standing(None, frame(rows), frame_visits(), proofs(), planned(), MONDAY, SETTINGS)
    assert told["site_id"].to_list() == ["A", "B", "C"]
    assert told.schema == SCHEMA
    assert set(told["standing"]) <= set(STANDINGS)
