"""The page of text about one home."""

from datetime import date

import polars as pl
import pytest

from pipeline.commands.explain_text import WIDTH, tell_home
from pipeline.core.contract import FAULTS
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.types import CAUTIONS
from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.report.report_input import FaultCard
from pipeline.scoring.innocent import CAUSES
from pipeline.scoring.sentences import strength_words
from pipeline.worklist.home_events import SCHEMA
from pipeline.worklist.home_status_text import Reason

CONTRADICTION = "by the utility meter L1 and L2 read too much: 1.88 and 2.31 times, right is 1.00"
PROBES = [
    ("prior", "Before the data", "against", -2.9, "about 5 % of this fleet's homes have a fault", -2.9),
    ("nights", "Overnight baseload", "supports", 4.6, "overnight baseload: L1 −142 W, below zero all night", 1.2),
    ("sun", "Response to PV", "supports", 3.25, "L1 tracks PV with the wrong sign: +0.50 W per W of PV", 0.3),
    ("zeros", "Lost signal", "against", -0.5, "L1 and L2 never read zero", -0.2),
    ("leaks", "Crosstalk between legs", "against", -0.03, "a load on one leg stays on it", 0.0),
    ("floors", "Overnight minimum", "against", -0.01, "one night in ten L1 falls 12 W", 0.0),
    ("meter", "Utility meter", "cannot tell", 0.0, NOT_KNOWN, 0.0),
]  # fmt: skip


def weights():
    rows = [("A", at, probe, label, state, None, weight, text, strength_words(weight), which, "legs_crossed")
            for at, (probe, label, state, weight, text, which) in enumerate(PROBES)]  # fmt: skip
    names = (
        "site_id", "ordinal", "probe", "label", "state", "value", "weight", "sentence", "strength", "which_weight",
        "which_against",
    )  # fmt: skip
    return pl.DataFrame(rows, schema=list(names), orient="row")


def score(**changed):
    shares = dict.fromkeys((*FAULTS, "sound"), 0.0) | {"reversed": 0.54, "legs_crossed": 0.43, "sound": 0.03}
    return {
        "area": "North", "crew_id": "C1", "likelihood": 0.97, "verdict": "suspect",
        "suspected_fault": "reversed", "leg": "both", "fault_likelihoods": shares,
        "onset_on": date(2026, 5, 14), "is_neutral_suspect": False, "is_clock_suspect": False,
        "clock_offset_h": None, "evidence": "negative in 98% of the night",
        "onset_evidence": "response of L1 to PV −0.50 W per W before, +0.50 W per W since (30 standard errors)",
        "unproven_why": None,
        "likely_fault": "reversed", "contradiction": None, "contradiction_probe": None, "record_cause": None,
        "record_likelihood": 0.0,
    } | changed  # fmt: skip


LISTED = {
    "rank": 3, "priority": 87.4, "suspected_fault": "reversed", "leg": "both", "fix_by": "visit",
    "bring": "screwdriver for the monitor's terminals", "minutes_on_site": 25, "kwh_per_day_wrong": 24.04,
    "also_possible": "CTs on each other's legs 43 % (looks like: CT reversed on both legs. Test on site: known load.)",
    "kwh_so_far": 721.2, "kwh_so_far_low": 640.0, "kwh_so_far_high": 780.0, "kwh_read_so_far": 900.0, "since": None,
    "days_so_far": 30, "so_far_from": date(2026, 5, 16), "so_far_to": date(2026, 6, 14),
    "value_gain": 200.0, "value_cost": 80.6, "value_regret": 32.0,
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
        fault.title, fault.story, fault.looks_like, remedy.action, remedy.prove, cautions,
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
        "Home A, area North, installed by C1 97 % likely to have any CT install fault now: suspect."
    )
    likely = "(54 % this fault, 97 % any fault)"
    assert f"CT reversed on both legs, since 2026-05-14 {likely}. {CATALOGUE['reversed'].story}" in text
    assert "from the first day of data" in plain(told(onset_on=None))
    other = plain(told(fault="legs_crossed", likely_fault="legs_crossed"))
    assert (
        "CTs on each other's legs on both legs, since 2026-05-14 (43 % this fault, 97 % any fault)." in other
    )


def test_cautions_come_first_and_all_of_them():
    text = plain(told(is_clock_suspect=True, clock_offset_h=6.0))
    places = [text.index(part) for part in ("clock looks off by about +6.0 h", *CAUTIONS, "This one")]
    assert places == sorted(places)
    assert places[-1] < text.index("Suspected, not found")


def test_work_at_the_desk_needs_no_shock_protection():
    listed = LISTED | {"fix_by": "office", "bring": "", "suspected_fault": "wrong_ratio"}
    text = plain(told(listed, fault="wrong_ratio"))
    assert "Before anything else" not in text
    assert "By remote fix: by a setting, from the office, 25 min" in text
    assert "Bring nothing special" in text


def test_prior_and_weights_add_up_for_the_quality_lead_alone():
    before, tail = told().split("For the quality lead: how the likelihood adds up\n")
    lines = [line.split() for line in tail.splitlines() if line.strip(" -")]
    numbers = [float(line[0].replace("−", "-")) for line in lines]
    assert numbers == [-2.9, 4.6, 3.25, -0.5, -0.03, -0.01, 0.0, 4.41]
    assert sum(numbers[:-1]) == pytest.approx(numbers[-1])
    assert "+4.41 any fault against a sound install: 82 to 1 for a fault" in plain(tail)
    assert "log odds" not in before
    assert "4.60" not in before


def test_the_checks_that_decide_come_first_each_with_its_number_and_strength():
    text = plain(told())
    deciding = (
        "What decides - Overnight baseload: L1 −142 W, below zero all night. Strong for a fault, 99 to 1."
        " - L1 tracks PV with the wrong sign: +0.50 W per W of PV. Strong for a fault, 26 to 1."
        " - L1 and L2 never read zero. Weak against a fault, 1.6 to 1. What to do"
    )
    assert deciding in text
    others = text.split("All other checks")[1]
    assert "- One night in ten L1 falls 12 W. Says little." in others
    assert "Too little data to tell: Utility meter." in others


def test_a_sum_against_a_fault_reads_so():
    text = plain(told(probes=weights().head(1)))
    assert "−2.90 any fault against a sound install: 18 to 1 for a sound install" in text


def test_it_names_what_else_it_could_be_and_how_to_tell():
    text = plain(told())
    assert (
        "CTs on each other's legs 43 % (looks like: CT reversed on both legs. Test on site: known load.)"
        in text
    )
    assert "- no CT fault 3 %" in text
    assert text.count("CTs on each other's legs 43 %") == 1


def test_it_says_what_to_do_bring_and_prove():
    text, remedy = plain(told()), CATALOGUE["reversed"].remedy
    for part in (
        "Rank 3 (expected value 87)", "By site visit, 25 min", f"Do {remedy.action}", f"Prove {remedy.prove}",
        "Bring screwdriver for the monitor's terminals", "Energy 24.0 kWh a day misreported if it is this fault",
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
    assert "under 1 % likely to have any CT install fault now: sound." in text
    assert "Suspected, not found Nothing: the data look right." in text
    assert "What to do Nothing: the home is not on the list: the data look right." in text
    assert "CT reversed on both legs" not in text
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
    assert "Suspected, not found Nothing: no data in the window." in text
    assert "Unproven: 2 nights of data, 7 are needed. See the checks with too little data below." in text
    assert "No data in the window" in text


def test_no_line_is_too_long():
    assert max(len(line) for line in told().splitlines()) <= WIDTH


def test_what_happened_is_told_oldest_first_with_its_day():
    tail = told().split("What happened\n")[1].split("\n\n")[0]
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
        f"Unproven, but no right install shows this: {CONTRADICTION}.",
        "It may be the site record: a battery that nobody reports, 45 % likely.",
        f"First, from the office: {CAUSES['battery_unreported'].office}",
        "If it is a fault: CT reversed on both legs",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "look right" not in text


def test_an_unproven_home_is_never_said_to_look_right():
    few = SOUND_STANDING | {"cause": "2 nights", "reason": Reason.FEW_NIGHTS}
    text = plain(told(None, few, verdict="unproven", unproven_why="2 nights"))
    assert "Unproven: 2 nights. See the checks with too little data below." in text
    assert "look right" not in text


def test_a_sound_home_says_nothing_of_its_record():
    cause = {"record_cause": "clock_wrong", "record_likelihood": 0.4}
    text = plain(told(None, SOUND_STANDING, likelihood=0.01, verdict="sound", suspected_fault=None, **cause))
    assert "Nothing: the data look right." in text
    assert not any(
        words in text for words in ("clock", "It may be the site record", CAUSES["clock_wrong"].office)
    )


def test_what_going_is_worth_is_told_term_by_term():
    text = plain(told())
    assert (
        "200 - 81 - 32 (gain - cost of going - cost of a no-fault-found visit) = 87; going pays from 31 % on"
        in text
    )
    assert "since 16 May 2026, 30 days with data: estimate 721 kWh (640 to 780)" in text
    assert "Change sign of L1: +1 → −1 Wait night level above 0 W" in text
    below = plain(told(LISTED | {"is_above_cut": False, "break_even": None, "desk_change": None}))
    assert "= 87; below the cut" in below
    assert "Change sign" not in below


@pytest.mark.parametrize("why", [Reason.BEYOND_END, Reason.LOOKS_AS_BEFORE, Reason.BELOW_BREAK_EVEN])
def test_a_home_that_is_not_listed_says_why_and_counts_no_nights(why):
    text = plain(told(None, STANDING | {"reason": why, "nights_listed": 0, "cause": "as said"}))
    assert f"What to do Nothing: the home is not on the list: {why}. What else" in text
    assert "On the list for" not in text


def test_lines_are_called_as_the_home_has_them():
    three = plain(told(listed=LISTED | {"leg": "l1+l3"}, line_count=3, service="230/400"))
    assert "CT reversed on L1 and L3, since 2026-05-14" in three
    assert "or lines whose voltages drift apart under load" in three
    assert "CT reversed, since 2026-05-14" in plain(told(line_count=1, service="230"))
