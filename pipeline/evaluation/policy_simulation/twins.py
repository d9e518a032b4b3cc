"""Twins of a family's homes: as installed, and with the fault absent; every other draw is the same.

A home's fault draws from the same random numbers as its logger afterwards. So its twin has the same fault, which begins
when the window is over: all draws are made, and none of its readings are touched. Its street is built once more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.simulate.counterfactual import Twins, twin_home
from pipeline.simulate.families.build import BuiltHome, build_street
from pipeline.simulate.families.draw import areas, draw_fleet, right_wiring
from pipeline.simulate.families.fleet import pack_streets
from pipeline.simulate.families.register import site_row
from pipeline.simulate.families.spec import Home, UnlikeSpec
from pipeline.simulate.spec import FleetSpec

Spec = FleetSpec | UnlikeSpec
# Numbers of its homes; a family's homes street by street, else none.
Part = tuple[range, Sequence[Sequence[Home]]]


def split_fleet(spec: Spec, homes_a_part: int) -> list[Part]:
    """Return the fleet's homes in parts of about that many, in order; a family's streets stay whole."""
    if isinstance(spec, FleetSpec):
        starts = range(0, spec.sites, homes_a_part)
        return [(range(first, min(first + homes_a_part, spec.sites)), ()) for first in starts]
    parts = pack_streets(draw_fleet(spec), homes_a_part)
    return [(range(part[0][0].number, part[-1][-1].number + 1), part) for part in parts]


def simulate_twins(spec: Spec, part: Part, pool: Path) -> list[Twins]:
    """Return the homes of a part twice, in order; `pool` as of `families.fleet.write_pool`."""
    numbers, streets = part
    if isinstance(spec, FleetSpec):
        return [twin_home(spec, number) for number in numbers]
    return [twin for street in streets for twin in street_twins(spec, street, pool)]


def street_twins(spec: UnlikeSpec, street: Sequence[Home], pool: Path) -> list[Twins]:
    """Return the homes of one street twice, in order."""
    places = areas(spec)
    installed = build_street(spec, street, places, pool=pool)
    right = installed
    if any(home.fault != SOUND for home in street):
        absent = [replace(home, onset_min=spec.steps) if home.fault != SOUND else home for home in street]
        right = build_street(spec, absent, places, pool=pool)
    return [_twins(spec, *pair) for pair in zip(installed, right, strict=True)]


def _twins(spec: UnlikeSpec, installed: BuiltHome, right: BuiltHome) -> Twins:
    home = installed.home
    is_faulty = home.fault != SOUND
    area = areas(spec)[home.area]
    site = site_row(spec, installed, area)
    # The record of a wrong scope is right in the twin's; what the register leaves empty is drawn alike.
    corrected = replace(installed, wiring=right_wiring(home))
    site_right = site_row(spec, corrected, area) if is_faulty else site
    # where the register doesn't say: before the first row
    since = (spec.start + timedelta(days=installed.first_day)).date() - timedelta(days=1)
    in_utc = pl.col("interval_start").dt.replace_time_zone("UTC")
    return Twins(
        site_id=home.site_id,
        fault=home.fault if is_faulty else "",
        leg=home.leg or None,
        onset_at=spec.start + timedelta(minutes=home.onset_min) if home.onset_min else None,
        severity=installed.wiring.severity or None,
        hard_negative=home.hard or None,
        commissioned_on=site["commissioned_on"] or since,
        installed=installed.rows.with_columns(in_utc),
        right=right.rows.with_columns(in_utc),
        site=site,
        site_right=site_right,
    )
