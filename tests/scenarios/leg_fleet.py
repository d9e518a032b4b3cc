"""Invented homes whose legs have 240 V loads in common and loads of their own, as contract rows with site facts."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.correction.other_leg import Pairs, fit_pairs, right_loads

DAYS = 20
STARTS = [datetime(2026, 6, 1) + timedelta(minutes=30 * step) for step in range(48 * DAYS)]


def loads(home: int, share: float, rng: np.random.Generator, other_share: float = 1.0) -> pl.DataFrame:
    """A home whose legs have a part in common and parts of their own, each scaled by its share."""
    common = np.where(rng.random(len(STARTS)) < 0.2, 2000.0, 0.0)
    one, two = (common + rng.gamma(2.0, 200.0, len(STARTS)) for _ in range(2))
    return pl.DataFrame(
        {
            "site_id": f"H{home}", "interval_start": STARTS, "l1_w": share * one, "l2_w": other_share * two,
            "pv_w": 0.0,
            "battery_w": None, "import_wh": None, "export_wh": None, "service": "120/240", "is_upstream": True,
            "is_added_back": False, "has_battery": False, "longitude": -105.0, "minutes": 30.0,
        }
    )  # fmt: skip


def fleet(homes: int, seed: int = 1) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    shares = np.exp(rng.normal(0, 0.25, (homes, 2)))
    return pl.concat([loads(home, one, rng, two) for home, (one, two) in enumerate(shares)])


def fitted(homes: int = 40) -> Pairs:
    pairs = fit_pairs(right_loads(fleet(homes)))
    assert pairs is not None
    return pairs
