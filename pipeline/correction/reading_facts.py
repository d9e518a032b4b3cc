"""How a home's readings come: the length of their intervals, the steps they are rounded to, and their noise.

Every reading of a right install has these too; they are the least that a corrected one errs by.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.line_columns import lines_in

STEPS_W = (100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.1)
STEPS_V = (5.0, 2.0, 1.0, 0.5, 0.1)
MULTIPLES = 0.999  # share of readings that are whole steps
# Noise is looked for where it is all that moves: in the quietest of short runs of rows. Of 5 rows of noise alone the
# standard deviation is below 0.6 of the true one in one run of ten.
REPEATS = 0.004  # of the power, by which monitors of class 1 differ from row to row
RUN, QUIETEST, OF_TRUE = 5, 0.02, 0.6
LEAST_LOAD_W, MOST_NOISE_W = 20.0, 15.0


@dataclass(frozen=True)
class ReadingFacts:
    """`minutes` of an interval, `step_w` [W] and `step_v` [V] of readings; noise as standard deviations.

    `noise_w` [W] is there whatever the power, `error_share` is a share of it.
    """

    minutes: float = 15.0
    step_w: float = 0.0
    step_v: float = 0.0
    noise_w: float = 0.0
    error_share: float = 0.0

    @property
    def volt_share(self) -> float:
        """Standard deviation of the ratio of two legs' voltages by their rounding, a share."""
        return float(self.step_v / 6**0.5 / 120)

    @property
    def error_w(self) -> float:
        """Standard deviation [W] of noise, and of rounding to a step."""
        return float((self.noise_w**2 + self.step_w**2 / 12) ** 0.5)


def minutes_of(rows: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id` and `minutes`, the length of the home's intervals: its shortest gap between rows."""
    gap = pl.col("interval_start").diff().over("site_id").dt.total_seconds() / 60
    gaps = rows.select("site_id", minutes=gap).filter(pl.col("minutes") > 0)
    least = gaps.group_by("site_id").agg(pl.col("minutes").min())
    homes = rows.select("site_id").unique().join(least, on="site_id", how="left")
    return homes.with_columns(pl.col("minutes").clip(1.0, 60.0).fill_null(15.0))


def read_facts(rows: pl.DataFrame) -> dict[str, ReadingFacts]:
    """Return the facts of each home of `rows` (contract rows, sorted by home and start)."""
    facts: dict[str, ReadingFacts] = {}
    minutes = dict(minutes_of(rows).iter_rows())
    for (site,), home in rows.partition_by("site_id", as_dict=True, maintain_order=True).items():
        powers, volts = (
            pl.concat([home[template.format(leg)] for leg in lines_in(home.columns, template)]).drop_nulls()
            for template in ("{}_w", "{}_v")
        )
        facts[str(site)] = ReadingFacts(
            minutes[site], _step(powers, STEPS_W), _step(volts, STEPS_V), _noise(home), REPEATS
        )
    return facts


def _step(values: pl.Series, steps: tuple[float, ...]) -> float:
    """Return the largest step that nearly all values are multiples of; 0 for none."""
    live = values.filter(values != 0)
    if len(live) < 50:
        return 0.0
    for step in steps:
        off = (live / step - (live / step).round(0)).abs()
        if int((off < 1e-3).sum()) >= MULTIPLES * len(live):
            return step
    return 0.0


def _noise(home: pl.DataFrame) -> float:
    """Return the noise of a home's legs [W] by their quietest runs of rows; of the quieter leg that lives."""
    found: list[float] = []
    for leg in lines_in(home.columns, "{}_w"):
        dark = home.filter(pl.col("pv_w").fill_null(0.0).abs() < 20)[f"{leg}_w"].drop_nulls()
        if _quantile(dark.abs(), 0.5) < LEAST_LOAD_W:
            continue  # a leg that reads nothing, or another channel's production
        spread = dark.rolling_std(RUN).drop_nulls().drop_nans()
        spread = spread.filter(spread > 0)
        if len(spread) >= 50:
            found.append(_quantile(spread, QUIETEST) / OF_TRUE)
    return min(*found, MOST_NOISE_W) if found else 0.0


def _quantile(values: pl.Series, share: float) -> float:
    return float(values.quantile(share) or 0.0)
