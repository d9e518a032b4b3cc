"""By the sun: what of each watt of production a leg's reading shows, against a right CT's, and at which phase."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.core.number_text import number
from pipeline.probes.leg_text import (
    NOT_KNOWN,
    Row,
    Verb,
    known_legs,
    leg_numbers,
    signed,
    tell_legs,
    together,
    value_of,
)
from pipeline.probes.probe import Probe, Quantity, column, columns_of_lines, home_quantity, leg_quantity

RIGHT = pl.col("expected_gain")
_COUNT = (pl.col("slope_days").cast(pl.Float64), "days with ramps")
_UNIT = " W per W of PV"
_NEAR = 0.15  # of the right slope; closer reads as right
_LEAST_W = 0.05  # W per W; a slope below it is none
_LOADS_W = 0.2  # loads that follow the sun, cooling above all, make as much
_RIGHT_DEG, _TURNED_DEG = 6.0, 150.0
_WRONG_SIGN = Verb("tracks PV with the wrong sign", "track PV with the wrong sign")
_NOT_AT_ALL = Verb("does not respond to PV", "do not respond to PV")
_HARDLY = Verb("hardly responds to PV", "hardly respond to PV")
_TOO_WEAK = Verb("tracks PV too weakly", "track PV too weakly")
_TOO_STRONG = Verb("tracks PV too strongly", "track PV too strongly")
_AS_RIGHT = Verb("tracks PV as it should", "track PV as they should")
_IN_PHASE = Verb("current is in phase", "current is in phase")
_REVERSE_PHASE = Verb("current is in reverse phase", "current is in reverse phase")
_LEADS, _LAGS = Verb("current leads", "current leads"), Verb("current lags", "current lags")
_NOT_HERE = Verb("tracks PV though it should not", "track PV though they should not")


def _difference(first: str, second: str) -> pl.Expr:
    return (pl.col(first) - pl.col(second)).abs()


def _stray(leg: str) -> pl.Expr:
    """Return the slope of a line that the inverter doesn't feed: right is none."""
    return pl.when(pl.col(f"pv_share_{leg}") == 0).then(pl.col(f"slope_{leg}"))


def _lead_deg(leg: str) -> pl.Expr:
    """Return the lead [deg]; a leg that doesn't answer production has no phase towards it."""
    return pl.when(pl.col(f"gain_{leg}").abs() > 0.25).then(pl.col(f"phase_{leg}_deg"))


def _right_slopes(row: Row, legs: Sequence[str]) -> dict[str, float]:
    """Return the right slope of each of these legs: by the share of production that feeds it, where that is known."""
    right, gain = value_of(row, "slope_expected"), value_of(row, "expected_gain")
    if right is None:
        return {}
    shares = {leg: value_of(row, f"pv_share_{leg}") for leg in legs}
    if gain is None or None in shares.values():
        return dict.fromkeys(legs, right)
    is_added = bool(row.get("is_added_back"))
    return {leg: (share or 0.0) * (is_added - gain) for leg, share in shares.items()}


def _right_text(rights: Mapping[str, float]) -> str:
    """Return "−0.33", or "−1.00 on L1 and 0.00 on L2 and L3" where lines differ."""
    legs_of: dict[str, list[str]] = {}
    for leg, right in rights.items():
        legs_of.setdefault(signed(right), []).append(leg.upper())
    if len(legs_of) == 1:
        return next(iter(legs_of))
    return together([f"{right} on {together(legs)}" for right, legs in legs_of.items()])


def _tell_slopes(row: Row) -> str:
    known = known_legs(row, "slope_{}")
    rights = _right_slopes(row, [leg for leg, _ in known])
    if not known:
        return NOT_KNOWN
    if not rights:
        slopes = together([f"{leg.upper()} by {signed(slope)}" for leg, slope in known])
        return f"with PV moves {slopes}{_UNIT}, the site record does not say what is right"

    def judge(leg: str, slope: float) -> tuple[Verb, bool]:
        right, scatter = rights[leg], 2 * (value_of(row, f"slope_{leg}_se") or 0.0)
        if right == 0:
            if abs(slope) <= max(_LEAST_W, scatter):
                return _NOT_AT_ALL, False
            return (_HARDLY, False) if abs(slope) <= _LOADS_W else (_NOT_HERE, True)
        if abs(slope - right) <= max(_NEAR * abs(right), scatter):
            return _AS_RIGHT, False
        if abs(slope) <= max(_LEAST_W, scatter):
            return _NOT_AT_ALL, True
        return (
            _WRONG_SIGN if slope * right < 0 else _TOO_WEAK if abs(slope) < abs(right) else _TOO_STRONG
        ), True

    return tell_legs(leg_numbers(row, "slope_{}", judge, write=signed), unit=_UNIT, right=_right_text(rights))


def _tell_phase(row: Row) -> str:
    def judge(leg: str, lead: float) -> tuple[Verb, bool]:
        if abs(lead) <= max(_RIGHT_DEG, 2 * (value_of(row, f"phase_{leg}_se_deg") or 0.0)):
            return _IN_PHASE, False
        return (_REVERSE_PHASE if abs(lead) >= _TURNED_DEG else _LEADS if lead > 0 else _LAGS), True

    legs = leg_numbers(row, "phase_{}_deg", judge, write=lambda lead: f"{number(abs(lead))}°")
    return tell_legs(legs, right="near 0°", before="on PV ramps ")


SUN = Probe(
    "sun",
    "Response to PV",
    (
        Quantity("gain", column("gain_{}"), "leg", column("gain_{}_se"), RIGHT, "both", floor=0.01, decides=0.35),
        Quantity("gain_sum", column("gain_sum"), "home", column("gain_sum_se"), RIGHT, "both", floor=0.01,
                 decides=0.3),
        leg_quantity("gain_error", "gain_{}_se", is_compared=False),
        home_quantity("gain_sum_error", "gain_sum_se", is_compared=False),
        Quantity("gain_apart", lambda _: _difference("gain_l1", "gain_l2"), scope="pair"),
        Quantity("noon_apart", lambda _: _difference("slope_am", "slope_pm")),
        home_quantity("days_apart", "slope_scatter"),
        home_quantity("slope_net"),
        home_quantity("slope_days", is_compared=False),
        Quantity("stray", _stray, "leg", column("slope_{}_se"), wrong="both", floor=0.01, least_lines=3),
    ),
    _tell_slopes,
    (
        *columns_of_lines("slope_{}", "slope_{}_se", "pv_share_{}"), "slope_expected", "expected_gain",
        "is_added_back",
    ),
    pl.col("gain_l1").is_not_null() & (pl.col("gain_sum_se") < 0.5),
    count=_COUNT,
)  # fmt: skip

# By the ramps' reactive power: how far a leg's current leads, as an open core makes it.
PHASE = Probe(
    "phase",
    "Phase on PV ramps",
    (
        Quantity("lead", _lead_deg, "leg", column("phase_{}_se_deg"), wrong="both", unit="deg", floor=0.5,
                 decides=20.0),
        leg_quantity("lead_error", "phase_{}_se_deg", unit="deg", is_compared=False),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    _tell_phase,
    columns_of_lines("phase_{}_deg", "phase_{}_se_deg"),
    pl.col("phase_l1_se_deg") < 10,
    count=_COUNT,
)  # fmt: skip
