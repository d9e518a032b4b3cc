"""A home whose load, production and utility meter are invented hour by hour: tables site_hour and UTILITY of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

Float = NDArray[np.float64]
START = datetime(2026, 5, 1)


@dataclass(frozen=True)
class Metered:
    """Loads of each quarter of an hour [W] of both legs, and production, from START on."""

    l1_w: Float
    l2_w: Float
    pv_w: Float

    @classmethod
    def drawn(cls, days: int, seed: int = 1) -> Metered:
        """Draw a home that lives by day and produces at noon, in clouds."""
        rng = np.random.default_rng(seed)
        hour = np.arange(days * 96) / 4 % 24
        l1, l2 = (300 + 1500 * (rng.random(hour.size) < 0.15) * rng.random(hour.size) for _ in range(2))
        sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)
        return cls(l1, l2, sun * 4000 * np.repeat(rng.uniform(0.2, 1, days * 24), 4))

    def hours(self, gain_l1: float = 1.0, gain_l2: float = 1.0, site_id: str = "a") -> pl.DataFrame:
        """Table site_hour of CTs at the loads that read so much of the truth."""
        count = len(self.l1_w) // 4
        means = (series.reshape(-1, 4).mean(axis=1) for series in (self.l1_w, self.l2_w, self.pv_w))
        l1, l2, pv = means
        return pl.DataFrame(
            {
                "site_id": [site_id] * count,
                "hour_start": [START + timedelta(hours=hour) for hour in range(count)],
                "l1_w": gain_l1 * l1, "l2_w": gain_l2 * l2, "pv_w": pv, "battery_w": [None] * count,
                "minutes": [60] * count,
            },
            schema_overrides={
                **dict.fromkeys(("l1_w", "l2_w", "pv_w", "battery_w"), pl.Float32), "minutes": pl.Int16,
                "hour_start": pl.Datetime("us"),
            },
        )  # fmt: skip

    def meter(
        self,
        minutes: int = 15,
        late_min: int = 0,
        *,
        step_wh: float = 1.0,
        site_id: str = "a",
        has_export: bool = True,
    ) -> pl.DataFrame:
        """Table UTILITY of the home's meter; its clock is `late_min` ahead."""
        net = (self.l1_w + self.l2_w - self.pv_w).reshape(-1, minutes // 15)
        taken, given = (
            np.round(np.maximum(side, 0).mean(axis=1) * minutes / 60 / step_wh) * step_wh
            for side in (net, -net)
        )
        count = len(taken)
        return pl.DataFrame(
            {
                "site_id": [site_id] * count,
                "interval_start": [START + timedelta(minutes=late_min + minutes * row) for row in range(count)],
                "minutes": [minutes] * count, "import_wh": taken,
                "export_wh": given if has_export else [None] * count, "step_wh": [step_wh] * count,
            },
            schema_overrides={"interval_start": pl.Datetime("us"), "export_wh": pl.Float64},
        )  # fmt: skip
