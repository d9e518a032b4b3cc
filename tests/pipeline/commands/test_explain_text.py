"""The page of text about one home."""

from datetime import date

import polars as pl
import pytest

from pipeline.commands.explain_text import WIDTH, tell_home
from pipeline.core.contract import FAULTS
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.types import CAUTIONS
from pipeline.report.report_input import FaultCard
from pipeline.scoring.innocent import CAUSES
from pipeline.worklist.home_events import SCHEMA
from pipeline.worklist.home_status_text import Reason

CONTRADICTION = "by the utility meter L1 reads 1.88 and L2 2.31 times the truth (right is 1)"
PROBES = [
    (
        "prior",
        "Before looking",
        "against",
        -2.9,
        "of this fleet's homes about 5.2% have a fault",
        "18 to 1 against",
    ),
    (
        "nights",
        "Overnight baseload",
        "supports",
        4.6,
        "negative in 98.0% of intervals",
        "99 to 1 for a fault",
    ),
    (
        "sun",
        "Answer to production",
        "supports",
        3.25,
        "L1 moves +0.50 W for each watt of PV",
        "26 to 1 for a fault",
    ),
    ("zeros", "No signal", "against", -0.5, "zero in 0.0% of intervals", "1.6 to 1 for a sound install"),
    (
        "leaks",
        "Copy of the other leg's steps",
        "against",
        -0.03,
        "a step shows as +0.00 of it",
        "says little",
    ),
    ("floors", "Floor of the nights", "against", -0.01, "one night in ten falls 12 W", "says little"),
    ("meter", "Utility meter", "cannot tell", 0.0, "no data for this", "says little"),
]


def weights():
    rows = [("A", at, probe, label, state, None, weight, text, strength)
            for at, (probe, label, state, weight, text, strength) in enumerate(PROBES)]  # fmt: skip
    names = ("site_id", "ordinal", "probe", "label", "state", "value", "weight", "sentence", "strength")
    return pl.DataFrame(rows, schema=list(names), orient="row")


def score(**changed):
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | {"reversed": 0.54, "legs_crossed": 0.43, "sound": 0.03}
    return {
        "area": "North", "crew_id": "C1", "likelihood": 0.97, "verdict": "suspect",
        "suspected_fault": "reversed", "leg": "both", "fault_likelihoods": shares,
        "onset_on": date(2026, 5, 14), "is_neutral_suspect": False, "is_clock_suspect": False,
        "clock_offset_h": None, "evidence": "negative in 98% of the night",
        "onset_evidence": "slope of L1 on PV -0.50 W per W -> +0.50 W per W, 30 standard errors", "unproven_why": None,
        "likely_fault": "reversed", "contradiction": None, "contradiction_probe": None,
        "record_cause": None, "record_likelihood": 0.0,
    } | changed  # fmt: skip


LISTED = {
    "rank": 3, "priority": 87.4, "suspected_fault": "reversed", "leg": "both", "fix_by": "visit",
    "bring": "screwdriver for the monitor's terminals", "minutes_on_site": 25, "kwh_per_day_wrong": 24.04,
    "also_possible": "legs crossed 43 % (looks like: both CTs reversed. Test on site: known load.)",
    "kwh_so_far": 721.2, "days_so_far": 30, "value_gain": 200.0, "value_cost": 80.6, "value_regret": 32.0,
    "break_even": 0.311, "is_above_cut": True,
    "desk_change": "sign of L1: +1 → −1", "desk_proof": "night level above 0 W",
}  # fmt: skip
STANDING = {
    "standing": "waiting", "standing_since": date(2026, 6, 2),
    "cause": "listed since 2026-06-01, no visit since", "reason": Reason.SUSPECT, "nights_listed": 14,
    "last_visit_on": None,
    "first_listed_on": date(2026, 6, 1), "nights_listed_all": 14, "proof": None, "proof_told": None,
}  # fmt: skip
SOUND_STANDING = STANDING | {
    "standing": "not listed", "nights_listed": 0, "reason": Reason.LOOKS_RIGHT, "cause": "the data look right",
    "first_listed_on": None,
}  # fmt: skip
EVENTS = pl.DataFrame(
    [
        ("A", date(2026, 6, 1), date(2026, 6, 1), "standing", "k1", "new tonight: 97 % likely to have a fault"),
        ("A", date(2026, 6, 4), date(2026, 6, 5), "visit", "k2", "visit V1 by C7: found reversed (l1), left as it was"),
    ],
    schema=SCHEMA, orient="row",
)  # fmt: skip


def card(name, cautions=()):
    fault = CATALOGUE[name]
    remedy = fault.remedy
    return FaultCard(
        name.replace("_", " "), fault.story, fault.looks_like, remedy.action, remedy.prove, cautions,
    )  # fmt: skip


def told(listed=LISTED, standing=STANDING, fault="reversed", probes=None, events=EVENTS, **changed):
    of = card(fault, ("This one alone.",))
    frame = weights() if probes is None else probes
    return tell_home("A", score(**changed), frame, listed=listed, standing=standing, card=of, events=events)


def plain(text):
    """The text on one line, however it was broken."""
    return " ".join(text.split())


def test_it_says_what_is_suspected_where_and_since_when():
    text = plain(told())
    assert text.startswith(
        "Home A, area North, installed by C1 97 % likely to have a CT install fault now: suspect."
    )
    likely = "(54 % this fault, 97 % any fault)"
    assert f"reversed on both legs, since 2026-05-14 {likely}. {CATALOGUE['reversed'].story}" in text
    assert "from the first day of data" in plain(told(onset_on=None))
    other = plain(told(fault="legs_crossed", likely_fault="legs_crossed"))
    assert "legs crossed on both legs, since 2026-05-14 (43 % this fault, 97 % any fault)." in other


def test_cautions_come_first_and_all_of_them():
    text = plain(told(is_clock_suspect=True, clock_offset_h=6.0))
    places = [text.index(part) for part in ("clock looks off by about +6.0 h", *CAUTIONS, "This one")]
    assert places == sorted(places)
    assert places[-1] < text.index("Suspected")


def test_work_at_the_desk_needs_no_shock_protection():
    listed = LISTED | {"fix_by": "office", "bring": "", "suspected_fault": "wrong_ratio"}
    text = plain(told(listed, fault="wrong_ratio"))
    assert "Before anything else" not in text
    assert "By office, no visit needed, 25 min" in text
    assert "Bring nothing special" in text


def test_prior_and_weights_add_up_to_the_score():
    text = told()
    column = [line for line in text.splitlines() if line[:8].strip().lstrip("+-").replace(".", "").isdigit()]
    numbers = [float(line.split()[0]) for line in column]
    assert numbers == [-2.9, 4.6, 3.25, -0.5, -0.04, 4.41]
    assert sum(numbers[:-1]) == pytest.approx(numbers[-1])
    assert "the rest, which says little or could not tell (3)" in text
    assert "against a sound install: 82 to 1 for a fault" in plain(text)
    assert "Could not tell: Utility meter." in plain(text)


def test_each_probe_tells_its_numbers_and_how_much_they_are_worth():
    text = plain(told())
    assert "+4.60 Overnight baseload: negative in 98.0% of intervals (99 to 1 for a fault)" in text
    assert "-0.50 No signal: zero in 0.0% of intervals (1.6 to 1 for a sound install)" in text


def test_a_score_against_a_fault_reads_so():
    text = plain(told(probes=weights().head(1)))
    assert "-2.90 score, log odds of any fault against a sound install: 18 to 1 for a sound install" in text


def test_it_names_what_else_it_could_be_and_how_to_tell():
    text = plain(told())
    assert "legs crossed 43 % (looks like: both CTs reversed. Test on site: known load.)" in text
    assert "- a sound install 3 %" in text
    assert text.count("legs crossed") == 1


def test_it_says_what_to_do_bring_and_prove():
    text, remedy = plain(told()), CATALOGUE["reversed"].remedy
    for part in (
        "Rank 3 (priority 87)", "By visit, 25 min", f"Do {remedy.action}", f"Prove {remedy.prove}",
        "Bring screwdriver for the monitor's terminals", "Energy 24.0 kWh a day misreported if it is so",
    ):  # fmt: skip
        assert part in text


def test_it_says_where_the_home_stands():
    assert (
        "waiting since 2026-06-02: listed since 2026-06-01, no visit since On the list for 14 nights."
        in plain(told())
    )
    visited = STANDING | {"last_visit_on": date(2026, 6, 9), "nights_listed": 1}
    text = plain(told(standing=visited))
    assert "On the list for 1 night. First listed on 2026-06-01, 14 nights in all." in text
    assert "Last visit on 2026-06-09; only data since then speak." in text


def test_a_sound_home_has_nothing_to_do():
    text = plain(
        told(None, SOUND_STANDING, suspected_fault=None, verdict="sound", likelihood=0.004, leg=None)
    )
    assert "under 1 % likely to have a CT install fault now: sound." in text
    assert "Suspected Nothing: the data look right." in text
    assert "What to do Nothing: the home is not on the list: the data look right." in text
    assert "reversed on both legs" not in text
    assert CAUTIONS[0] not in text


def test_an_unproven_home_without_data_says_so():
    text = plain(
        told(
            None,
            SOUND_STANDING | {"reason": Reason.NO_DATA},
            suspected_fault=None,
            probes=weights().clear(),
            verdict="unproven",
            area=None,
            crew_id=None,
            onset_evidence=None,
            unproven_why="2 nights of data, 7 are needed",
        )
    )
    assert text.startswith("Home A 97 %")
    assert "Suspected Nothing: no data in the window." in text
    assert "Unproven: 2 nights of data, 7 are needed; see what could not tell." in text
    assert "No data in the window" in text


def test_no_line_is_too_long():
    assert max(len(line) for line in told().splitlines()) <= WIDTH


def test_what_happened_is_told_oldest_first_with_its_day():
    tail = told().split("What happened\n")[1]
    assert [line[:14].strip() for line in tail.splitlines() if line.strip()] == ["2026-06-01", "2026-06-04"]
    assert "visit V1 by C7: found reversed (l1), left as it was" in tail
    assert "What happened" not in told(events=EVENTS.clear())


def test_a_proof_is_told_once():
    proved = STANDING | {"proof": "proved right", "proof_told": "9 nights since the visit"}
    assert "By the data since the visit: proved right. 9 nights since the visit." in plain(
        told(standing=proved)
    )
    within = proved | {"cause": "said to be fixed, and so it is: 9 nights since the visit"}
    assert plain(told(standing=within)).count("9 nights since the visit") == 1


def test_a_number_that_fits_no_right_install_comes_first_then_what_it_may_be_and_the_desk():
    text = plain(
        told(None, SOUND_STANDING | {"cause": "7 % likely to have a fault", "reason": Reason.BELOW_BREAK_EVEN},
             likelihood=0.07, verdict="unproven", suspected_fault=None, unproven_why="as above",
             contradiction=CONTRADICTION, contradiction_probe="meter", record_cause="battery_unreported",
             record_likelihood=0.446)
    )  # fmt: skip
    parts = (
        f"Unproven, but no right install reads so: {CONTRADICTION}.",
        "It may be the record: a battery that nobody reports, 45 % likely.",
        f"First, at the desk: {CAUSES['battery_unreported'].office}",
        "If it is a fault: reversed on both legs",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "look right" not in text
    assert "+0.00 Utility meter: no data for this" in text  # what contradicts is never folded


def test_an_unproven_home_is_never_said_to_look_right():
    few = SOUND_STANDING | {"cause": "2 nights", "reason": Reason.FEW_NIGHTS}
    text = plain(told(None, few, verdict="unproven", unproven_why="2 nights"))
    assert "Unproven: 2 nights; see what could not tell." in text
    assert "look right" not in text


def test_a_sound_home_says_nothing_of_its_record():
    cause = {"record_cause": "clock_wrong", "record_likelihood": 0.4}
    text = plain(told(None, SOUND_STANDING, likelihood=0.01, verdict="sound", suspected_fault=None, **cause))
    assert "Nothing: the data look right." in text
    assert not any(words in text for words in ("clock", "It may be the record", CAUSES["clock_wrong"].office))


def test_what_going_is_worth_is_told_term_by_term():
    text = plain(told())
    assert "200 - 81 - 32 (gain - cost of going - regret if needless) = 87; going pays from 31 % on" in text
    assert "721 kWh in 30 days so far" in text
    assert "Desk sign of L1: +1 → −1 Wait night level above 0 W" in text
    below = plain(told(LISTED | {"is_above_cut": False, "break_even": None, "desk_change": None}))
    assert "= 87; below the cut" in below
    assert "Desk sign" not in below


@pytest.mark.parametrize("why", [Reason.BEYOND_END, Reason.LOOKS_AS_BEFORE, Reason.BELOW_BREAK_EVEN])
def test_a_home_that_is_not_listed_says_why_and_counts_no_nights(why):
    text = plain(told(None, STANDING | {"reason": why, "nights_listed": 0, "cause": "as said"}))
    assert f"What to do Nothing: the home is not on the list: {why}. Standing" in text
    assert "On the list for" not in text
