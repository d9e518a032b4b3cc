"""Suspect, sound or unproven: sound only with proof, never against a number that no right install shows."""

from __future__ import annotations

import pytest
from scored_homes import homes, night_scored, register, unseen_fleet

from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.innocent import CAUSES
from pipeline.scoring.model import Model
from pipeline.scoring.verdict import ct_scores

SETTINGS = load_settings()


def judged(**own: float) -> Settings:
    """The shipped settings with another [verdict]."""
    return SETTINGS.model_copy(update={"verdict": SETTINGS.verdict.model_copy(update=own)})


@pytest.fixture(scope="module")
def normal(model: Model) -> FleetNormal:
    """What is normal in a fleet of which nothing is known."""
    return unseen_fleet(model)


FEW_RAMPS = ("sun", "too few PV ramps and no utility meter data: nothing proves the scale")
UNKNOWN = ("record", "no utility meter data, and the site record doesn't say whether the CTs see production")
NO_SUN = ("meter", "CTs that don't see production and no utility meter data: nothing proves the scale")
PROVED = (None, None)


@pytest.mark.parametrize(
    ("is_upstream", "has_probe", "meter_share", "why"),
    [
        (True, True, 0.0, PROVED),
        (True, True, 1.0, PROVED),
        (True, False, 0.0, FEW_RAMPS),
        (True, False, None, FEW_RAMPS),
        (True, False, 0.9, PROVED),
        # production is reported and tells the clock, but a CT at the loads shows nothing of it
        (False, True, 0.0, NO_SUN),
        (False, False, 0.0, NO_SUN),
        (False, True, 0.4, NO_SUN),
        (False, True, 0.9, PROVED),
        (None, True, 0.0, UNKNOWN),
        (None, True, 0.9, PROVED),
    ],
)
def test_a_home_is_sound_only_if_sun_or_meter_prove_the_scale(
    is_upstream: bool | None,
    has_probe: bool,
    meter_share: float | None,
    why: tuple[str | None, str | None],
    model: Model,
    normal: FleetNormal,
) -> None:
    """With every home likely enough to be sound, only the proof decides; loads prove no scale, however many."""
    takes_sun = 1.0 if is_upstream is not False else 0.0
    known = homes(
        [
            {
                "is_declared_upstream": is_upstream, "has_probe": has_probe, "meter_share": meter_share,
                "gain_l1": takes_sun, "gain_l2": takes_sun, "gain_sum": takes_sun,
                "expected_gain": takes_sun if is_upstream is not None else None,
            }
        ]
    )  # fmt: skip

    scores = night_scored(known, register(known), model, judged(suspect=1.1, sound=1.1), normal).scores

    assert set(scores["verdict"]) == {"sound" if why is PROVED else "unproven"}
    assert set(scores.select("unproven_need", "unproven_why").rows()) == {why}


def test_a_file_that_proves_nothing_is_not_asked_for_again(model: Model, normal: FleetNormal) -> None:
    known = homes([{
        "is_declared_upstream": False, "has_probe": True, "meter_share": 0.0, "gain_l1": 0.0, "gain_l2": 0.0,
        "gain_sum": 0.0, "expected_gain": 0.0, "meter_why_not": "has too few hours in common with the readings",
    }])  # fmt: skip

    scores = night_scored(known, register(known), model, judged(suspect=1.1, sound=1.1), normal).scores

    assert scores["unproven_why"].to_list() == [
        "CTs that don't see production and a utility file that has too few hours in common with the readings:"
        " nothing proves the scale"
    ]


def test_a_home_seen_for_too_few_nights_is_never_sound(model: Model, normal: FleetNormal) -> None:
    least = SETTINGS.verdict.min_nights
    few, enough = homes([{"nights": least - 1}]), homes([{"nights": least}])
    settings = judged(suspect=1.1, sound=1.1)

    unproven = night_scored(few, register(few), model, settings, normal).scores
    assert set(unproven["verdict"]) == {"unproven"}
    assert set(unproven["unproven_why"]) == {f"{least - 1} nights of data, {least} are needed"}
    assert set(unproven["unproven_need"]) == {"nights"}
    assert set(night_scored(enough, register(enough), model, settings, normal).scores["verdict"]) == {"sound"}


def test_a_home_with_all_proof_between_sound_and_suspect_says_that_the_evidence_disagrees(
    model: Model, normal: FleetNormal
) -> None:
    right = homes([{}])

    told = night_scored(right, register(right), model, judged(suspect=1.1, sound=0.0), normal)

    row = told.scores.row(0, named=True)
    assert row["verdict"] == "unproven"
    assert row["unproven_why"].startswith("evidence for a fault and against it")
    assert row["unproven_need"] == "visit"
    assert row["suspected_fault"] in CATALOGUE


HALF = {"meter_l1": 2.0, "meter_l2": 2.0, "meter_gain_l1": 0.5, "meter_gain_l2": 0.5}


def test_a_number_that_no_right_install_shows_comes_first_and_is_never_called_sound(
    model: Model, normal: FleetNormal
) -> None:
    """However unlikely a fault is made, and whatever else is said of the home."""
    odd = homes([HALF, {}])

    scores = night_scored(odd, register(odd), model, judged(suspect=1.1, sound=1.1), normal).scores
    half, right = scores.to_dicts()

    assert half["verdict"] == "unproven"
    assert (
        half["contradiction"]
        == "by the utility meter L1 and L2 read half of what they should: 0.50 and 0.50 times, right is 1.00"
    )
    assert half["contradiction_probe"] == "meter"
    assert half["unproven_why"].startswith(half["contradiction"])
    assert half["unproven_need"] in ("record", "visit")
    assert half["evidence"].startswith(half["contradiction"])
    assert (right["contradiction"], right["contradiction_probe"], right["verdict"]) == (None, None, "sound")
    suspect = night_scored(odd, register(odd), model, judged(suspect=0.0), normal).scores.row(0, named=True)
    assert (suspect["verdict"], suspect["unproven_why"], suspect["unproven_need"]) == ("suspect", None, None)


def test_what_the_record_may_be_is_said_with_its_likelihood(model: Model, normal: FleetNormal) -> None:
    odd = homes([HALF])

    row = night_scored(odd, register(odd), model, judged(suspect=1.1, record=0.0), normal).scores.row(
        0, named=True
    )

    assert row["record_cause"] in CAUSES
    assert 0 <= row["record_likelihood"] <= 1 - row["likelihood"]
    share = round(100 * row["record_likelihood"])
    words = f"; it may be the site record: {CAUSES[row['record_cause']].words} ({share} %"
    assert words in row["unproven_why"]
    assert row["unproven_need"] == "record"
    unasked = night_scored(odd, register(odd), model, judged(suspect=1.1, record=1.1), normal).scores
    assert "record" not in unasked["unproven_why"][0]
    assert unasked["unproven_need"][0] == "visit"


def test_a_contradicting_number_of_a_few_nights_asks_for_more_nights(
    model: Model, normal: FleetNormal
) -> None:
    """With a handful of nights no truck is asked for: nights may settle it."""
    least = SETTINGS.verdict.min_nights
    odd = homes([HALF | {"nights": least - 1}])

    row = night_scored(odd, register(odd), model, judged(suspect=1.1, record=1.1), normal).scores.row(
        0, named=True
    )

    assert row["unproven_why"] == f"{row['contradiction']}; {least - 1} nights of data, {least} are needed"
    assert row["unproven_need"] == "nights"


LOOSE = {"sag_v_per_kw": 4.0, "sag_l1": -4.0, "sag_l2": 4.1, "sag_l1_se": 0.1, "sag_l2_se": 0.1}


def test_a_suspected_loose_neutral_is_a_safety_call_whatever_the_cts_are_called(
    model: Model, normal: FleetNormal
) -> None:
    loose = homes([LOOSE, {**LOOSE, "nights": 1}, {}])
    lenient = judged(suspect=1.1, sound=1.1)

    scores = night_scored(loose, register(loose), model, lenient, normal).scores

    assert scores["verdict"].to_list() == ["safety", "safety", "sound"]
    assert scores["ct_verdict"].to_list() == ["sound", "unproven", "sound"]
    assert scores["unproven_why"].is_not_null().to_list() == [False, True, False]
    strict = night_scored(loose, register(loose), model, judged(suspect=0.0), normal).scores
    assert strict["verdict"].to_list() == ["safety", "safety", "suspect"]
    assert ct_scores(strict)["verdict"].to_list() == ["suspect"] * 3
    assert strict["likelihood"].to_list() == scores["likelihood"].to_list()
