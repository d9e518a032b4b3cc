"""How sums of corrected energy err, and adding them up over days and over episodes.

Two errors are in the rows (`layout.CORRECTED`), and they add up differently (JCGM 100:2008, Guide to the expression of
uncertainty in measurement, 5.1.2 and 5.2.2):

- *Alike*: what errs alike in all rows of an episode, fully correlated. A factor's error adds up with its sign, so that
  import and export cancel: `common` = sum of what one standard deviation makes of each row. What is left of the rows'
  bounds (a rival fault) adds linearly: `below` = sum of (value - low), `above` = sum of (high - value).
- *Scatter*: what errs row by row and is remembered for about an hour, as a standard deviation. Within an hour it adds
  linearly (n rows count as one), hours are independent: `variance` = sum over hours of (sum of scatter)^2. For an error
  that fades gradually this is the variance of the sum where its autocorrelation integrates to an hour.

With z = 1.96, the standard errors that a 95 % interval reaches to either side, the sum E of an episode lies between
E - sqrt((below + z |common|)^2 + z^2 variance) and E + sqrt((above + z |common|)^2 + z^2 variance). Episodes err
independently of each other, so over several of them the squares add up, not the distances.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.core.quantiles import Z95

# The sum of all legs; its parts above and below 0 where the CTs read net; what the home used; what its PV made.
QUANTITIES = ("use", "import", "export", "net", "production")
HOURS = (
    "hours", "hours_exact", "hours_estimated", "hours_as_reported", "hours_empty", "hours_covered", "hours_flow",
    "hours_use", "hours_pv", "hours_meter", "hours_by_meter",
)  # fmt: skip
METER = (
    "meter_import", "meter_export", "meter_net", "meter_net_reported", "meter_net_corrected", "meter_off_reported",
    "meter_off_corrected",
)  # fmt: skip
_NEVER_BELOW_0 = ("import", "export", "production")
_ENDS = ("below", "above")
_PARTS = ("reported", "corrected", *_ENDS, "common", "variance")
_ADDING = {
    *HOURS,
    *METER,
    "n_rows",
    "empty_reported",
    *(f"{name}_{part}" for name in QUANTITIES for part in _PARTS),
}
KWH_DECIMALS = 6  # threads add up in any order: sums differ far behind


def add_up(energy: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Return days' sums added up, one row a `keys`, which must tell episodes apart: what errs alike adds linearly."""
    summed = [_total(pl.col(name)).alias(name) for name in energy.columns if name in _ADDING]
    day = pl.col("day")
    return energy.group_by(keys, maintain_order=True).agg(
        *summed, days=day.n_unique(), first_day=day.min(), last_day=day.max()
    )


def add_episodes(sums: pl.DataFrame, keys: Sequence[str]) -> pl.DataFrame:
    """Return sums of episodes added up, which err independently of each other: their distances add in squares."""
    whole = sums.with_columns(
        _reach(name, end).alias(f"{name}_{end}") for name in QUANTITIES for end in _ENDS
    )
    unsquared = [
        name
        for name in sums.columns
        if name in _ADDING and not name.endswith((*_ENDS, "_common", "_variance"))
    ]
    plain = [_total(pl.col(name)).alias(name) for name in unsquared]
    reaches = [pl.col(f"{name}_{end}") for name in QUANTITIES for end in _ENDS]
    squares = [_total(reach**2).sqrt().name.keep() for reach in reaches]
    none_left = [
        pl.lit(0.0).alias(f"{name}_{part}") for name in QUANTITIES for part in ("common", "variance")
    ]
    home = pl.col("site_id")
    return whole.group_by(keys, maintain_order=True).agg(
        *plain,
        *squares,
        *none_left,
        homes=home.n_unique(),
        homes_corrected=home.filter(is_corrected()).n_unique(),
        episodes=pl.len(),
        days=pl.col("days").sum(),
    )


def is_corrected() -> pl.Expr:
    """Return whether any reading in sums was put right."""
    return pl.sum_horizontal(pl.col("hours_exact", "hours_estimated").fill_null(0)) > 0


def _total(values: pl.Expr) -> pl.Expr:
    """Return the sum of a group's values, null where it has none."""
    return pl.when(values.count() > 0).then(values.sum())


def _reach(name: str, end: str) -> pl.Expr:
    """Return how far a sum's 95 % interval reaches `below` or `above` it [kWh]."""
    alike = pl.col(f"{name}_{end}").clip(0) + Z95 * pl.col(f"{name}_common").abs()
    return (alike**2 + Z95**2 * pl.col(f"{name}_variance").fill_null(0)).sqrt()


def energy_columns(name: str) -> dict[str, pl.Expr]:
    """Return a quantity's columns of the statement [kWh]: reported, corrected, and the 95 % interval of the latter."""
    corrected = pl.col(f"{name}_corrected")
    low = corrected - _reach(name, "below")
    found = {
        "reported": pl.col(f"{name}_reported"),
        "corrected": corrected,
        "low": low.clip(0) if name in _NEVER_BELOW_0 else low,
        "high": corrected + _reach(name, "above"),
    }
    return {f"{name}_kwh_{part}": value.round(KWH_DECIMALS) for part, value in found.items()}
