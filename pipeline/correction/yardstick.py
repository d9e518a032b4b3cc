"""What a night judged its homes by: the model, what is normal in the fleet, the settings, the register."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.scoring.fleet_normal import FleetNormal, normal_from
from pipeline.scoring.model import Model
from pipeline.scoring.model_choice import choose_model


@dataclass(frozen=True)
class Yardstick:
    """What days of any span are judged by: the night's `model` and `fleet`, the `sites` register, all `settings`."""

    model: Model
    fleet: FleetNormal
    sites: pl.DataFrame
    settings: Settings


def yardstick_of(night: Path, out: Path, sites: pl.DataFrame, *, settings: Settings) -> Yardstick:
    """Return what a published night judged by.

    Parameters
    ----------
    night
        Folder of the run.
    out
        The OUT that it lies in, perhaps with a model of the fleet.
    sites
        The register.
    settings
        All settings.
    """
    model, _ = choose_model(None, out)
    run = json.loads((night / "run.json").read_text(encoding="utf-8"))
    normal = pl.read_parquet(night / "fleet_normal.parquet", glob=False)
    return Yardstick(model, normal_from(normal, run["base_rate"], model.mix()), sites, settings)
