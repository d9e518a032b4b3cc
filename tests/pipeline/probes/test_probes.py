"""Pieces of evidence: 0 to 1, and null stays *cannot tell*."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.contract import SOUND
from pipeline.evidence import BOTH_SHARE, Weighed, all_pieces, likely_legs, weigh
from pipeline.fault import Piece
from pipeline.faults import CATALOGUE
from pipeline.learning.labelled import Labelled

REVERSED = CATALOGUE["reversed"]


def test_the_pieces_of_a_sound_install_come_first_and_names_are_unique() -> None:
    owners = [owner for owner, _ in all_pieces(CATALOGUE)]
    names = [piece.name for _, piece in all_pieces(CATALOGUE)]

    assert owners == sorted(owners, key=[SOUND, *CATALOGUE].index)
    assert len(set(names)) == len(names)


def test_two_pieces_of_one_name_are_refused(fleet: Labelled) -> None:
    with pytest.raises(ValueError, match="same name"):
        weigh(fleet.signals, {"reversed": REVERSED, "again": REVERSED})


def test_every_value_is_between_no_and_yes(fleet: Labelled) -> None:
    weighed = weigh(fleet.signals, CATALOGUE)

    known = weighed.values[~np.isnan(weighed.values)]
    assert weighed.values.shape == (fleet.signals.height, len(weighed.names))
    assert known.size > 100
    assert ((known >= 0) & (known <= 1)).all()


def test_a_home_without_a_single_number_cannot_tell_anything(fleet: Labelled) -> None:
    """Null stays null: no piece makes a yes or a no out of nothing."""
    told = {
        "site_id",
        "service",
        "is_declared_upstream",
        "is_added_back",
        "has_battery",
        "is_battery_hidden",
        "is_clock_suspect",
    }
    empty = fleet.signals[:1].with_columns(
        pl.lit(None).cast(kind).alias(name) for name, kind in fleet.signals.schema.items() if name not in told
    )

    weighed = weigh(empty, CATALOGUE)

    spoken = {
        name: value
        for name, value in zip(weighed.names, weighed.values[0], strict=True)
        if not math.isnan(value)
    }
    assert spoken == {}


def test_a_piece_takes_its_best_leg_and_ignores_a_leg_that_cannot_tell() -> None:
    piece = Piece("p", "P", ("a", "b"), {"l1": pl.col("a"), "l2": pl.col("b")}, "")
    fault = replace(REVERSED, pieces=(piece,))
    signals = sound_columns().with_columns(
        a=pl.Series([0.2, None, None, 7.0]), b=pl.Series([0.6, 0.3, None, -7.0])
    )

    weighed = weigh(signals, {"reversed": fault})

    np.testing.assert_array_equal(weighed.values[:, -1], [0.6, 0.3, np.nan, 1.0])
    np.testing.assert_array_equal(weighed.by_leg["p"]["l2"], [0.6, 0.3, np.nan, 0.0])


def sound_columns() -> pl.DataFrame:
    """Four homes with the columns that the sound pieces read, all empty."""
    needed = {
        name
        for owner, piece in all_pieces({})
        for value in piece.by_leg.values()
        for name in value.meta.root_names()
    }
    booleans = {name for name in needed if name.startswith(("is_", "has_"))}
    return pl.DataFrame(
        {
            name: pl.Series(
                [None] * 4,
                dtype=pl.Boolean if name in booleans else pl.String if name == "service" else pl.Float64,
            )
            for name in sorted(needed)
        }
    )


def test_the_leg_is_the_one_that_the_pieces_favour() -> None:
    by_leg = {
        piece.name: {leg: np.array([0.1, np.nan]) for leg in piece.by_leg}
        for piece in REVERSED.pieces
        if piece.tells_leg
    }
    by_leg["reversed_gain"] = {
        "l1": np.array([0.05, np.nan]),
        "l2": np.array([0.9, np.nan]),
        "both": np.array([0.1, np.nan]),
    }
    weighed = Weighed(("x",), np.zeros((2, 1)), by_leg)

    legs, lead = likely_legs(weighed, REVERSED, {"reversed_gain": 2.0})

    assert legs[0] == "l2"
    assert lead[0] > 1
    assert lead[1] == 0  # nobody knows


def favour(**pieces: tuple[float, float]) -> tuple[str, float]:
    """The leg of one home of which these pieces of `reversed` say (L1, L2), each as `by_leg` spreads it."""
    silent = {leg: np.array([np.nan]) for leg in ("l1", "l2", "both")}
    by_leg = {piece.name: dict(silent) for piece in REVERSED.pieces}
    for name, (one, two) in pieces.items():
        spread = {"l1": one * (1 - two), "l2": two * (1 - one), "both": one * two}
        by_leg[name] = {leg: np.array([value]) for leg, value in spread.items()}
    weights = dict.fromkeys(pieces, 2.0)
    (leg,), (lead,) = likely_legs(Weighed((), np.zeros((1, 0)), by_leg), REVERSED, weights)
    return leg, lead


def test_both_legs_where_every_piece_speaks_of_both() -> None:
    assert favour(reversed_gain=(0.9, 0.9), reversed_night=(0.8, 0.9))[0] == "both"


def test_both_legs_where_one_piece_speaks_of_l1_and_another_of_l2() -> None:
    """No single piece sees both turned, but two legs with evidence are two faulty legs."""
    assert favour(reversed_gain=(0.9, 0.0), reversed_night=(0.0, 0.8))[0] == "both"


@pytest.mark.parametrize(
    ("lesser", "leg"),
    [(0.0, "l1"), (0.3, "l1"), (BOTH_SHARE - 0.01, "l1"), (BOTH_SHARE + 0.01, "both"), (1.0, "both")],
)
def test_the_lesser_leg_counts_from_its_share_of_the_greater_ones_evidence_on(
    lesser: float, leg: str
) -> None:
    assert favour(reversed_gain=(1.0, 0.0), reversed_night=(0.0, lesser))[0] == leg


@pytest.mark.parametrize(("one", "two", "leg"), [(0.9, 0.1, "l1"), (0.1, 0.9, "l2"), (0.9, 0.4, "both")])
def test_a_leg_of_which_a_piece_says_little_is_not_faulty_too(one: float, two: float, leg: str) -> None:
    assert favour(reversed_gain=(one, two))[0] == leg


def test_pieces_that_cannot_tell_favour_nobody() -> None:
    assert favour()[1] == 0


def test_a_fault_with_one_leg_has_no_rival() -> None:
    only = CATALOGUE["wrong_scope"]
    legs, lead = likely_legs(
        Weighed((), np.zeros((1, 0)), {p.name: {leg: np.zeros(1) for leg in p.by_leg} for p in only.pieces}),
        only,
        {},
    )

    assert legs == [only.legs[0]]
    assert len(only.legs) > 1 or lead[0] == np.inf


def test_pieces_read_the_columns_they_name(fleet: Labelled) -> None:
    for _, piece in all_pieces(CATALOGUE):
        read = {name for value in piece.by_leg.values() for name in value.meta.root_names()}
        assert read <= set(fleet.signals.columns), piece.name
        assert set(piece.needs) <= set(fleet.signals.columns), piece.name
