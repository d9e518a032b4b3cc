"""What tests of likelihoods share: scoring as a night does it, and homes that differ a little from an ordinary one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import yaml

from pipeline.core.settings import Settings, load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.types import Fault
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.normal import normal_table, shrink_spreads
from pipeline.scoring.score_homes import Scored, score

# What a look at the window adds to site_signal.
OF_THE_WINDOW = {
    "from_on": pl.Date, "changed_on": pl.Date, "change_z": pl.Float64, "change_of": pl.String,
    "change_told": pl.String, "meter_by": pl.String, "meter_offset_min": pl.Int64, "meter_from_on": pl.Date,
    "meter_to_on": pl.Date, "meter_hours": pl.Int64, "meter_why_not": pl.String,
}  # fmt: skip
_KINDS = {bool: pl.Boolean, int: pl.Int64, float: pl.Float64, str: pl.String}


@cache
def right_home() -> Mapping[str, Any]:
    """The row of table site_signal of an ordinary home with right CTs."""
    path = Path(__file__).parents[1] / "faults" / "right_home.yaml"
    told: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return told


def homes(rows: Sequence[Mapping[str, Any]]) -> pl.DataFrame:
    """Table site_signal of homes that differ from the right one by these columns."""
    kinds = {name: _KINDS[type(value)] for name, value in right_home().items()}
    whole = [{"site_id": f"home {at:04}", **right_home(), **row} for at, row in enumerate(rows)]
    named = [{**row, "site_id": given.get("site_id", f"home {at:04}")}
             for at, (row, given) in enumerate(zip(whole, rows, strict=True))]  # fmt: skip
    told = pl.DataFrame(named, schema={**kinds, **OF_THE_WINDOW})
    return told.with_columns(pl.col("days", "nights", "slope_days").cast(pl.Int32))


def register(signals: pl.DataFrame) -> pl.DataFrame:
    """The register's rows of these homes."""
    return signals.select(
        "site_id", area=pl.lit("north"), crew_id=pl.lit("c1"), service=pl.col("service").fill_null("120/240")
    )


def unseen_fleet(model: Model, rate: float = 0.05) -> FleetNormal:
    """The yardstick of a fleet of which nothing is known but what is normal in many others."""
    normal = shrink_spreads({}, model.shipped_normal)
    return FleetNormal(normal, rate, model.mix(), normal_table(normal, {}, model.shipped_normal))


def night_scored(
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    model: Model,
    settings: Settings | None = None,
    fleet: FleetNormal | None = None,
    catalogue: Mapping[str, Fault] = CATALOGUE,
) -> Scored:
    """Score a whole fleet as a night does: learn what is normal in it (unless `fleet` is given), then judge by it."""
    own = (settings or load_settings()).verdict
    known = learn_normal(signals, model, own) if fleet is None else fleet
    return Scored(
        score(signals, sites, known, model=model, catalogue=catalogue, settings=own), signals, known
    )


def varied(count: int, seed: int, **changed: Any) -> pl.DataFrame:
    """Right homes as a fleet has them: each number off by a little of its own, shares within 0 and 1."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(count):
        row: dict[str, Any] = {}
        for name, value in right_home().items():
            if isinstance(value, float) and name not in ("length_min", "expected_gain", "slope_expected"):
                moved = value * float(np.exp(rng.normal(0.0, 0.03)))
                row[name] = min(moved, 1.0) if name.endswith("_share") else moved
        rows.append({**row, **changed})
    return homes(rows)
