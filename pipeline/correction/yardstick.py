"""What a night judged its homes by: the model, what is normal in the fleet, the settings, the register."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.settings import Settings
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model


@dataclass(frozen=True)
class Yardstick:
    """What days of any span are judged by: the night's `model` and `fleet`, the `sites` register, all `settings`.

    Of a published night: `choose_model`, and `normal_from` of its table fleet_normal with run.json's base_rate.
    """

    model: Model
    fleet: FleetNormal
    sites: pl.DataFrame
    settings: Settings
