"""The example night's parts that are words: fault cards, weights with their sentences, crews."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.probes.leg_text import NOT_KNOWN
from pipeline.report import FaultCard
from pipeline.scoring.sentences import strength_words

FAULTS = (
    "reversed", "legs_crossed", "same_leg", "dead", "partial", "opposed_pair", "loose_core", "wrong_ratio",
    "wrong_scope", "swapped_with_pv", "intermittent", "pickup_noise",
)  # fmt: skip


def cards() -> dict[str, FaultCard]:
    """Return a card for each fault."""
    names = {
        "reversed": "reversed CT",
        "legs_crossed": "CTs on each other's leg",
        "dead": "dead channel",
    }
    office = {"wrong_ratio", "wrong_scope"}
    return {
        fault: FaultCard(
            name=names.get(fault, fault.replace("_", " ")),
            story="The CT faces the load, or its lead pair is landed the wrong way round.",
            looks_like="a monitor whose clock is hours off; a battery exporting at night",
            action="Set the rated current in the portal."
            if fault in office
            else "Turn the CT or swap the pair.",
            prove="With PV off, a 1.5 kW heater on that leg must read +1.5 kW.",
            cautions=("The line side stays live with the main breaker off.",) if fault == "reversed" else (),
        )
        for fault in FAULTS
    }


def weights(site_id: str, likelihood: float, fault: str = "reversed") -> list[dict[str, Any]]:
    """Return what stands before the data and the probes of one home, adding up to the log odds of its likelihood."""
    target = float(np.log(likelihood / (1 - likelihood)))
    prior = -2.94
    parts = np.array([0.45, 0.35, -0.15, 0.04, 0.25, 0.06]) * (target - prior)
    said = (
        (
            "nights",
            "Overnight baseload",
            "overnight baseload: L1 −140 W, below zero in 94 % of night intervals",
        ),
        ("sun", "Response to PV", "L1 tracks PV with the wrong sign: +0.50 W per W of PV, right is −0.50"),
        ("pairs", "240 V loads", "240 V loads step L2 1.00 times as much as L1 in 80 steps, right is 1.00"),
        ("sag", "Voltage sag", NOT_KNOWN),
        ("daylight", "Day against night", "L1 rises with PV by day (correlation +0.80, right is below 0)"),
        (
            "leaks",
            "Crosstalk between legs",
            "a load on one leg alone does not clearly show on the other: L1 0.00 W per W, right is 0.00",
        ),
    )
    against = "dead" if fault != "dead" else "intermittent"
    rows: list[tuple[Any, ...]] = [
        (
            0,
            "prior",
            "Before the data",
            "against",
            None,
            prior,
            "about 5 % of this fleet's homes have a fault",
        )
    ]
    for i, ((probe, label, sentence), weight) in enumerate(zip(said, parts, strict=True), start=1):
        weight = 0.05 * float(np.sign(weight)) if probe == "leaks" else weight
        state = "cannot tell" if probe == "sag" else "supports" if weight > 0 else "against"
        value = None if state == "cannot tell" else 0.9
        rows.append((i, probe, label, state, value, float(weight), sentence))
    rest = target - sum(row[5] for row in rows)
    rows[1] = (*rows[1][:5], rows[1][5] + rest, rows[1][6])
    names = ("ordinal", "probe", "label", "state", "value", "weight", "sentence")
    return [
        {
            "site_id": site_id, **dict(zip(names, row, strict=True)),
            "strength": strength_words(row[5]),
            "which_weight": 0.1 * row[0], "which_against": against,
        }
        for row in rows
    ]  # fmt: skip
