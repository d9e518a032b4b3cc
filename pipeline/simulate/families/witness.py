"""The true response of a home's wiring to each probe, computed from the wiring itself.

Small test circuits go through `measure`: one kilowatt more of production, of a leg's own load, of the
other leg's, of the 240 V loads. So whatever the catalogue says a fault does is what the witness says; a
classifier that knew the circuit could reach no more than these numbers tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.faults.circuit import Circuit, Complex, PvLeg, line_to_line_va
from pipeline.faults.clamps import Clamp, Wiring, measure

STEP_W = 1000.0
BASE_W = 6000.0  # of each leg: keeps a right reading clear of where a source clips
WITNESS_COLUMNS = (
    "witness_pv_l1", "witness_pv_l2", "witness_load_l1", "witness_load_l2", "witness_cross_l1",
    "witness_cross_l2", "witness_pair", "witness_offset_l1_w", "witness_offset_l2_w", "witness_alive_l1",
    "witness_alive_l2",
)  # fmt: skip


@dataclass(frozen=True)
class Dealt:
    """Where a home's energy lies: share [0, 1] of leg 1's, leg 2's and the 240 V loads' in bundle a.

    `line_a` is None for a home without a 240 V load.
    """

    leg_1a: float
    leg_2a: float
    line_a: float | None


def bundled(
    bundles_1: tuple[Complex, Complex],
    bundles_2: tuple[Complex, Complex],
    pv_w: np.ndarray,
    battery_w: np.ndarray | float = 0.0,
    v1: np.ndarray | float = 120.0,
    v2: np.ndarray | float = 120.0,
    service: str = "120/240",
    pv_leg: PvLeg = "both",
    minutes: float = 1.0,
) -> Circuit:
    """Return the circuit whose legs' bundles a and b have these powers [W + j var], shape (n,) each."""
    circuit = Circuit.from_powers(
        bundles_1[0] + bundles_1[1],
        bundles_2[0] + bundles_2[1],
        pv_w,
        battery_w,
        v1,
        v2,
        service,
        minutes=minutes,
        pv_leg=pv_leg,
    )
    one = [np.conj(power / circuit.v1) for power in bundles_1]
    two = [np.zeros_like(one[0])] * 2
    if service != "single":
        two = [np.conj(power / circuit.v2) for power in bundles_2]
    return replace(circuit, load_1a=one[0], load_1b=one[1], load_2a=two[0], load_2b=two[1])


def witness(wiring: Wiring, dealt: Dealt, has_pv: bool, pv_leg: PvLeg) -> dict[str, float | None]:
    """Return the witness columns of a wiring.

    pv: W of reading per W of PV (null without PV); load: W of a leg's reading per W of its own leg's
    load, bundles weighted by the home's energy; cross: per W of the other leg's load; pair: ln of leg 2's
    over leg 1's response to the home's own 240 V loads (null without any, or if either is not positive);
    offset: spread of the added offset [W]; alive: mean share of time connected (0 without clamps).
    """
    still = replace(
        wiring, l1=_always(wiring.l1), l2=_always(wiring.l2), production=_always(wiring.production),
        offset_1=0.0, offset_2=0.0,
    )  # fmt: skip
    base = np.zeros(5)
    base[1] = STEP_W
    added_1, added_2, between = np.zeros(5), np.zeros(5), np.zeros(5)
    added_1[2], added_2[3], between[4] = STEP_W, STEP_W, STEP_W
    volt = 240.0 if wiring.service == "single" else 120.0
    line_1, line_2 = line_to_line_va(between, volt, volt, service=wiring.service)
    line_a = 0.5 if dealt.line_a is None else dealt.line_a
    leg_1, leg_2 = BASE_W + added_1, BASE_W + added_2
    circuit = bundled(
        (leg_1 * dealt.leg_1a + line_1 * line_a, leg_1 * (1 - dealt.leg_1a) + line_1 * (1 - line_a)),
        (leg_2 * dealt.leg_2a + line_2 * line_a, leg_2 * (1 - dealt.leg_2a) + line_2 * (1 - line_a)),
        base if has_pv else np.zeros(5), v1=volt, v2=volt, service=wiring.service, pv_leg=pv_leg,
    )  # fmt: skip
    reading = measure(circuit, still)
    one, two = ((w - w[0]) / STEP_W for w in (reading.l1_w, reading.l2_w))
    is_single = wiring.service == "single"
    pair = None
    if not is_single and dealt.line_a is not None and one[4] > 1e-9 and two[4] > 1e-9:
        pair = float(np.log(two[4] / one[4]))
    values = (
        one[1] if has_pv else None, two[1] if has_pv and not is_single else None,
        one[2], None if is_single else two[3],
        None if is_single else one[3], None if is_single else two[2],
        pair,
        np.std(wiring.offset_1), None if is_single else np.std(wiring.offset_2),
        _alive(wiring.l1), None if is_single else _alive(wiring.l2),
    )  # fmt: skip
    return {
        name: None if value is None else round(float(value), 5) + 0.0
        for name, value in zip(WITNESS_COLUMNS, values, strict=True)
    }


def _always(clamps: tuple[Clamp, ...]) -> tuple[Clamp, ...]:
    return tuple(replace(clamp, alive=None) for clamp in clamps)


def _alive(clamps: tuple[Clamp, ...]) -> float:
    if not clamps:
        return 0.0
    return float(np.mean([1.0 if clamp.alive is None else np.mean(clamp.alive) for clamp in clamps]))
