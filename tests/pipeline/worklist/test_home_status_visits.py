"""What visits, their proofs and plans do to a home's standing, as short stories."""

from standing_nights import (
    SETTINGS,
    frame,
    frame_visits,
    night,
    planned,
    proofs,
    scored,
    since_visit,
    standings,
    tell,
    visit,
)

from pipeline.worklist.home_status import next_standing

LASTING = SETTINGS.visits.again_nights


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
    assert told[1]["cause"] == "recorded as fixed on 2026-06-02; no data since"
    assert told[2]["cause"] == (
        "recorded as fixed on 2026-06-02; not confirmed yet, at this rate it takes about 3 nights: "
        "4 nights since the visit"
    )
    assert (
        told[3]["cause"] == "recorded as fixed on 2026-06-02; confirmed by the data: 4 nights since the visit"
    )
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
    assert "recorded as fixed on 2026-06-02" in told[2]["cause"]


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
    assert told[3]["cause"] == "no CT fault found on 2026-06-02; the data look as before the visit"


def test_a_different_fault_brings_a_home_found_sound_back():
    told = tell(
        [(0, scored()), (2, since_visit(1, 0.9)), (3, since_visit(1, 0.9, fault="dead")),
         (1 + LASTING, since_visit(1, 0.9, fault="dead"))],
        [visit(night(1), "sound")],
    )  # fmt: skip
    assert standings(told) == ["new tonight", *["found sound on site"] * 2, "new tonight"]
    assert (
        told[2]["cause"]
        == "no CT fault found on 2026-06-02; too few nights since to suspect another fault: no signal (open lead)"
    )
    assert told[3]["cause"].startswith("no CT fault found on 2026-06-02; another fault is suspected now")


def test_the_same_suspicion_at_a_home_found_sound_is_no_news_though_its_data_change():
    """What looks like that fault is a habit of the home, until so long ago that the visit says nothing any more."""
    year = SETTINGS.visits.sound_days
    nights = [(number, scored(0.9, from_on=night(number - LASTING), onset_on=night(number - LASTING)))
              for number in (40, 2 + year)]  # fmt: skip
    told = tell([(0, scored()), *nights], [visit(night(1), "sound")])
    assert standings(told) == ["new tonight", "found sound on site", "new tonight"]
    assert told[1]["is_held"]


def test_another_fault_that_began_after_the_visit_is_a_new_event_once_it_has_lasted():
    later = scored(0.9, fault="dead", from_on=night(9), onset_on=night(9))
    told = tell(
        [(0, scored()), (2, since_visit(1, 0.9)), (7 + LASTING, later), (8 + LASTING, later)],
        [visit(night(1), "sound")],
    )
    assert standings(told) == ["new tonight", *["found sound on site"] * 2, "new tonight"]


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
    assert told[2]["cause"] == "another cause found on 2026-06-02; the data look as before the visit"
    assert told[3]["cause"].startswith("another cause found on 2026-06-02; another fault is suspected now")


def test_a_planned_visit_is_a_standing_until_its_day_has_passed():
    told = tell([(0, scored()), (1, scored()), (2, scored()), (3, scored())], plan=night(2))
    assert standings(told) == ["visit planned", "visit planned", "visit planned", "waiting"]
    assert told[1]["cause"] == "listed since 2026-06-01, visit planned for 2026-06-03"
    assert told[3]["cause"] == "visit planned for 2026-06-03, none recorded"


def test_a_plan_from_before_the_visit_is_done_with():
    told = tell([(0, scored()), (3, since_visit(2, 0.9))], [visit(night(2), "reversed")], plan=night(2))
    assert (told[1]["standing"], told[1]["planned_on"]) == ("visited, not fixed", None)


def test_a_visit_that_no_night_remembers_holds_what_is_suspected_now():
    told = tell([(5, since_visit(1, 0.9))], [visit(night(1), "sound")])
    assert (told[0]["standing"], told[0]["held_fault"]) == ("found sound on site", "reversed")


def test_a_sound_visit_to_a_home_nobody_suspected_holds_nothing():
    told = tell([(0, scored(0.05)), (9, since_visit(1, 0.9))], [visit(night(1), "sound")])
    assert standings(told) == ["not listed", "new tonight"]


def test_a_night_or_two_do_not_bring_a_home_back_that_was_just_proved_right():
    right, later = proofs("proved right"), {"fault": "dead", "onset_on": night(20)}
    told = tell(
        [
            (0, scored()),
            (5, since_visit(1, 0.02), right),
            (20, scored(0.95, from_on=night(20), **later)),
            (21, scored(0.01, from_on=night(20))),
            (19 + LASTING, scored(0.95, from_on=night(20), **later)),
        ],
        [visit(night(1), "reversed", fixed=True)],
    )
    assert standings(told)[1:] == [*["proved right by the data"] * 3, "new tonight"]
    assert [row["is_held"] for row in told[1:]] == [False, True, False, False]


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
    assert told[3]["cause"].startswith("was settled, suspected again: CT reversed")


def test_a_visit_told_late_and_one_of_tomorrow():
    early = tell([(0, scored()), (1, scored()), (2, scored())])
    assert standings(early)[2] == "waiting"
    known = next_standing(
        None,
        frame([scored()]),
        frame_visits(),
        fixes=proofs(),
        plans=planned(),
        as_of=night(2),
        settings=SETTINGS,
    )
    told = tell([(3, since_visit(1, 0.9))], [visit(night(1), "sound"), visit(night(9), "dead")], known)
    assert standings(told) == ["found sound on site"]
    assert told[0]["last_visit_on"] == night(1)


def test_the_last_visit_speaks():
    visits = [visit(night(1), "reversed", fixed=False), visit(night(3), "reversed", fixed=True)]
    told = tell([(2, scored()), (8, since_visit(3, 0.04), proofs("proved right"))], visits)
    assert standings(told) == ["visited, not fixed", "proved right by the data"]
