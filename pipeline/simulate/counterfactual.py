"""A home twice over the same time: as it was installed, and with its fault absent; every other draw is the same."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

import polars as pl

from pipeline.simulate.fleet import draw_install, measure_home, register_row, site_id
from pipeline.simulate.logger import reported_rows, shows_production
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
    install = draw_install(spec, number)
    home, plan = install.home, install.home.plan
    measurement = measure_home(install)
    same_draws = copy.deepcopy(install.rng)
    installed = right = reported_rows(home, measurement.reading, install.rng)
    if install.fault:
        is_producing = shows_production(home, measurement.reading)
        right = reported_rows(home, measurement.right, same_draws, is_producing=is_producing)
    site = register_row(install, measurement.wiring)
    location = plan.location if site["ct_location"] is not None else None
    onset_at = None
    if measurement.onset_on is not None and install.onset_share is not None:
        first_step = int(install.onset_share * home.circuit.size)
        onset_at = datetime.combine(plan.window.start, time()) + timedelta(
            minutes=first_step * plan.window.step
        )
    return Twins(
        site_id(number), install.fault, install.leg or None, onset_at, measurement.wiring.severity or None,
        plan.hard or None, plan.commissioned_on, installed, right, site,
        {**site, "ct_sees_pv": measurement.sound.declared_sees_pv, "ct_location": location},
    )  # fmt: skip
