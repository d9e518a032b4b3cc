"""The example night's parts that are words: fault cards, weights with their sentences, crews."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.report import FaultCard

FAULTS = (
    "reversed", "legs_crossed", "same_leg", "dead", "partial", "opposed_pair", "loose_core", "wrong_ratio",
    "wrong_scope", "swapped_with_pv", "intermittent", "pickup_noise",
)  # fmt: skip


def cards() -> dict[str, FaultCard]:
    """Return a card for each fault."""
    names = {
        "reversed": "reversed clamp",
        "legs_crossed": "clamps on each other's leg",
        "dead": "dead channel",
    }
    office = {"wrong_ratio", "wrong_scope"}
    return {
        fault: FaultCard(
            name=names.get(fault, fault.replace("_", " ")),
            story="The clamp faces the load, or its lead pair is landed the wrong way round.",
            looks_like="a monitor whose clock is hours off; a battery exporting at night",
            action="Set the rated current in the portal."
            if fault in office
            else "Turn the clamp or swap the pair.",
            fix_by="office" if fault in office else "visit",
            bring="insulated screwdriver, 1.5 kW heater",
            minutes=15 if fault in office else 45,
            prove="With PV off, a 1.5 kW heater on that leg must read +1.5 kW.",
            cautions=("The line side stays live with the main breaker off.",) if fault == "reversed" else (),
        )
        for fault in FAULTS
    }


def weights(site_id: str, likelihood: float) -> list[dict[str, Any]]:
    """Return the prior and the pieces of one home, adding up to the log odds of its likelihood."""
    target = float(np.log(likelihood / (1 - likelihood)))
    prior = -2.94
    parts = np.array([0.45, 0.35, -0.08, 0.0, 0.2, 0.08]) * (target - prior)
    said = (
        ("night_sign", "Negative at night", "94 % of night intervals are below zero."),
        ("pv_slope", "Slope on PV", "The leg rises with PV where it should fall."),
        ("step_ratio", "240 V steps", "Steps of both legs are alike in size."),
        ("voltage_sag", "Voltage sag", "No leg voltages: cannot tell which leg the clamp is on."),
        ("onset", "Sudden start", "The sign turned within one day."),
        ("position", "Clamp position", "Bundled load conductors fail more often."),
    )
    rows = [(0, "prior", "Prior", None, None, prior, "5 % of homes have a CT fault.")]
    for i, ((piece, label, sentence), weight) in enumerate(zip(said, parts, strict=True), start=1):
        state = "supports" if weight > 0 else "against" if weight < 0 else "cannot tell"
        rows.append(
            (i, piece, label, state, None if state == "cannot tell" else 0.9, float(weight), sentence)
        )
    names = ("ordinal", "piece", "label", "state", "value", "weight", "sentence")
    return [{"site_id": site_id, **dict(zip(names, row, strict=True))} for row in rows]
