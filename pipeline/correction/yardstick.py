"""What a night judged its homes by: the model, what is normal in the fleet, the settings, the register."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.scoring.fleet_normal import FleetNormal, normal_from
from pipeline.scoring.model import Model


@dataclass(frozen=True)
class Yardstick:
    """What days of any span are judged by: the night's `model` and `fleet`, the `sites` register, all `settings`."""

    model: Model
    fleet: FleetNormal
    sites: pl.DataFrame
    settings: Settings


def published_yardstick(night: Path, model: Model, sites: pl.DataFrame, *, settings: Settings) -> Yardstick:
    """Return what a published night judged by.

    Parameters
    ----------
    night
        The run's folder, with run.json and the table fleet_normal.
    model
        The model that nights of this OUT work with (`choose_model`).
    sites
        The register, every contract column present.
    settings
        All settings.
    """
    run = json.loads((night / "run.json").read_text(encoding="utf-8"))
    table = pl.read_parquet(night / "fleet_normal.parquet", glob=False)
    return Yardstick(model, normal_from(table, run["base_rate"], model.mix()), sites, settings)
