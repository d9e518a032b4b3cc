"""The true response of a home's wiring to each probe, computed from the wiring itself.

Small test circuits go through `measure`: one kilowatt more of production, of a leg's own load, of the
other leg's, of the 240 V loads. So whatever the catalogue says a fault does is what the witness says; a
classifier that knew the circuit could reach no more than these numbers tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.core.services import lines_of, service_of
from pipeline.faults.circuit import Circuit, line_to_line_va
from pipeline.faults.cts import CT, PRODUCTION, Wiring, measure
from pipeline.simulate.families.panel import Loads

LEGS = ("l1", "l2")
STEP_W = 1000.0
BASE_W = 6000.0  # of each leg: keeps a right reading clear of where a source clips
WITNESS_COLUMNS = (
    "witness_pv_l1", "witness_pv_l2", "witness_load_l1", "witness_load_l2", "witness_cross_l1",
    "witness_cross_l2", "witness_pair", "witness_offset_l1_w", "witness_offset_l2_w", "witness_alive_l1",
    "witness_alive_l2",
)  # fmt: skip


@dataclass(frozen=True)
class BundleShares:
    """Where a home's energy lies: share [0, 1] of leg 1's, leg 2's and the 240 V loads' in bundle a.

    `line_a` is None for a home without a 240 V load.
    """

    leg_1a: float
    leg_2a: float
    line_a: float | None

    @classmethod
    def of(cls, loads: Loads) -> BundleShares:
        """Return the shares of these loads."""
        a, b = loads.va.real.sum(axis=1).reshape(3, 2).T.tolist()
        leg_1a, leg_2a, line_a = (
            in_a / (in_a + in_b) if in_a + in_b > 0 else 0.5 for in_a, in_b in zip(a, b, strict=True)
        )
        return cls(leg_1a, leg_2a, line_a if a[2] + b[2] > 0 else None)


def witness(wiring: Wiring, shares: BundleShares, has_pv: bool, *, pv_leg: str) -> dict[str, float | None]:
    """Return the witness columns of a wiring.

    pv: W of reading per W of PV (null without PV); load: W of a leg's reading per W of its own leg's
    load, bundles weighted by the home's energy; cross: per W of the other leg's load; pair: ln of leg 2's
    over leg 1's response to the home's own 240 V loads (null without any, or if either is not positive);
    offset: spread of the added offset [W]; alive: mean share of time connected (0 without CTs).

    Parameters
    ----------
    wiring
        As installed.
    shares
        Where the home's energy lies.
    has_pv
        Whether it has solar.
    pv_leg
        The leg that the inverter feeds, "both" for one between them.
    """
    connected = wiring.with_each_ct(partial(replace, alive=None), (*wiring.legs, PRODUCTION))
    connected = replace(connected, offsets={})
    _, pv_w, added_1, added_2, between = STEP_W * np.eye(5)  # a step of each after one without any
    line = line_to_line_va(between, service_of(wiring.service).volts, service=wiring.service)
    line_a = 0.5 if shares.line_a is None else shares.line_a
    count = wiring.line_count
    own = (BASE_W + np.array([added_1, added_2]))[:count]
    own_a = np.array([[shares.leg_1a], [shares.leg_2a]])[:count]
    circuit = Circuit.from_bundles(
        own * own_a + line * line_a, own * (1 - own_a) + line * (1 - line_a), pv_w * has_pv,
        service=wiring.service, pv_lines=lines_of(pv_leg, count), minutes=1.0,
    )  # fmt: skip
    reading = measure(circuit, connected)
    rise_1, rise_2 = ((w - w[0]) / STEP_W for w in (reading.l1_w, reading.l2_w))
    is_single = count == 1
    pair = None
    if not is_single and shares.line_a is not None and rise_1[4] > 1e-9 and rise_2[4] > 1e-9:
        pair = float(np.log(rise_2[4] / rise_1[4]))
    values = (
        rise_1[1] if has_pv else None, rise_2[1] if has_pv else None,
        rise_1[2], rise_2[3], rise_1[3], rise_2[2], pair,
        *(np.std(wiring.offset_w(leg)) for leg in LEGS), *(_alive_share(wiring, leg) for leg in LEGS),
    )  # fmt: skip
    columns = dict(zip(WITNESS_COLUMNS, values, strict=True))
    if is_single:  # nothing of a second leg
        columns |= dict.fromkeys((name for name in columns if "_l2" in name or "_cross" in name), None)
    return {name: None if value is None else round(float(value), 5) + 0.0 for name, value in columns.items()}


def _alive_share(wiring: Wiring, leg: str) -> float:
    cts: tuple[CT, ...] = wiring.cts(leg) if leg in wiring.legs else ()
    if not cts:
        return 0.0
    return float(np.mean([1.0 if ct.alive is None else np.mean(ct.alive) for ct in cts]))
