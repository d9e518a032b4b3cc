"""What else it may be: every code has words, every hard case of the training fleets has its place."""

from __future__ import annotations

from pipeline.scoring.innocent import A_FAULT, CAUSE_OF, CAUSES, NOTHING
from pipeline.scoring.model import Model
from pipeline.simulate.families.draw import HARD as UNLIKE
from pipeline.simulate.plan import HARD

# They look like nothing in particular: right installs whose data say so, by and large.
NOTHING_IN_PARTICULAR = {
    "ev_all_night",  # loads like any other
    "new_site",  # little data
    "crossed_and_turned",  # reads right
    "battery_declared",  # reported, so nothing is amiss in the record
}


def test_every_cause_that_is_taught_has_words() -> None:
    assert set(CAUSE_OF.values()) <= set(CAUSES)
    assert NOTHING not in CAUSES
    for cause in CAUSES.values():
        assert not cause.words.endswith(".")
        assert cause.office.endswith(".")


def test_every_hard_case_of_the_training_fleets_is_a_cause_or_nothing_in_particular() -> None:
    words = {*HARD, *UNLIKE}

    assert words - set(CAUSE_OF) == NOTHING_IN_PARTICULAR
    assert NOTHING_IN_PARTICULAR & set(CAUSE_OF) == set()


def test_every_cause_is_drawn_in_some_fleet() -> None:
    drawn = {CAUSE_OF[word] for word in {*HARD, *UNLIKE} if word in CAUSE_OF}

    assert drawn == set(CAUSES)


def test_the_shipped_model_names_causes_that_have_words(model: Model) -> None:
    assert set(model.innocents) - {NOTHING, A_FAULT} <= set(CAUSES)
