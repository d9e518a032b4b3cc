"""A home twice over the same time: as it was installed, and with its fault absent; every other draw is the same."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

import polars as pl

from pipeline.simulate.fleet import as_reported, draw_install, measured, register_row, site_id
from pipeline.simulate.logger import shows_production
from pipeline.simulate.spec import FleetSpec


@dataclass(frozen=True)
class Twins:
    """Home `number` as installed and right: rows of the lake (without site_id) and of the sites register.

    `fault` is empty for a home without; then both are the same. `onset_at` is when the fault began [UTC], None: at
    commissioning.
    """

    site_id: str
    fault: str
    leg: str | None
    onset_at: datetime | None
    severity: str | None
    hard_negative: str | None
    commissioned_on: date
    installed: pl.DataFrame
    right: pl.DataFrame
    site: dict[str, Any]
    site_right: dict[str, Any]


def twin_home(spec: FleetSpec, number: int) -> Twins:
    """Return home `number` of the fleet twice; as installed it is what `fleet.simulate_home` gives."""
    drawn = draw_install(spec, number)
    home, plan, rng = drawn.home, drawn.home.plan, drawn.rng
    made = measured(home, drawn.fault or None, drawn.leg, rng, drawn.onset_share)
    same = copy.deepcopy(rng)
    installed = as_reported(home, made.reading, rng)
    right = installed
    if drawn.fault:
        right = as_reported(home, made.right, same, shows_production(home, made.reading))
    site = register_row(home, made.wiring, drawn.crew, rng)
    location = plan.location if site["ct_location"] is not None else None
    onset_at = None
    if made.onset_on is not None and drawn.onset_share is not None:
        first_step = int(drawn.onset_share * home.circuit.size)
        start = datetime.combine(plan.window.start, time())
        onset_at = start + timedelta(minutes=first_step * plan.window.step)
    return Twins(
        site_id(number), drawn.fault, drawn.leg or None, onset_at, made.wiring.severity or None, plan.hard or None,
        plan.commissioned_on, installed, right, site,
        {**site, "ct_sees_pv": made.sound.declared_sees_pv, "ct_location": location},
    )  # fmt: skip
