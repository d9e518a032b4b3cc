"""The register says the wrong thing about where the CTs are.

On site: nothing is wrong; the CTs sit upstream of the solar tie-in and the register says
downstream, or the other way round. The data: the readings are right and every number derived from
them is wrong. Declared upstream, the legs never fall with the sun (slope 0, not their part of -1); declared
downstream, they do. What else looks the same: opposed pairs upstream (slope 0), a site whose
production is already added back, a production outage (no probe signal, so nothing to say). No
inverse of the readings: they are right; correcting the record puts right what is derived.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import number, whole_home
from pipeline.faults.types import Fault, Remedy


def _fits(wiring: Wiring, circuit: Circuit) -> bool:
    """Fits homes with solar whose source doesn't add production back (which would depend on it)."""
    return circuit.has_pv and not wiring.pv_added_back


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Declare the contrary of the truth; the readings stay."""
    declared = "upstream" if not wiring.declared_sees_pv else "downstream"
    return replace(
        wiring, declared_sees_pv=not wiring.declared_sees_pv, severity=f"declared {declared}, is not"
    )


FAULT = Fault(
    name="wrong_scope",
    title="CT location recorded wrong",
    legs="whole",
    story="The record says the CTs see the solar power and they don't, or the other way round.",
    looks_like="opposed_pair upstream; a source that adds production back without saying so",
    fits=_fits,
    effect=_effect,
    remains="right",
    # The readings are right; the load worked out from them has production counted twice or not at all.
    wrong_kwh_day=whole_home(lambda _: number("pv_kwh_day").abs()),
    wrong_kwh_span=(0.99, 1.01),
    remedy=Remedy(
        action="Compare with the install photos and correct ct_sees_pv in the site's record; nothing on "
        "site needs touching.",
        fix_by="office",
        bring=(),
        minutes=5,
        prove="With the record corrected, load computed at noon and at night agree in level, and the slope "
        "on production is what the record now expects.",
        habit="Photograph CTs and solar breaker in one picture, and fill in the record from the picture.",
        desk="ct_sees_pv",
    ),
    pictures=("daily_slopes", "day_profile"),
    is_record_error=True,
    needs={"pv_added_back": False, "is_clipped": False},
)
