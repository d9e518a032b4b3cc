"""What any parsed row must keep to, whoever wrote it: lengths and starts of the contract, energies within its range."""

from __future__ import annotations

import polars as pl

from pipeline.core import contract
from pipeline.ingest.row_config import ENERGIES

__all__ = ["ENERGIES", "interval_reason", "value_reason"]
_MOST_WH = contract.interval_ranges()["import_wh_max"]


def interval_reason() -> pl.Expr:
    """Return why `minutes` or `interval_start` can't be: a length of the contract, from a whole interval on."""
    minutes, start = pl.col("minutes"), pl.col("interval_start")
    lengths = ", ".join(str(length) for length in contract.INTERVAL_MINUTES)
    is_off = (start.dt.epoch("us") % (minutes * 60_000_000)) != 0
    return pl.coalesce(
        pl.when(~minutes.is_in(contract.INTERVAL_MINUTES)).then(
            pl.format(f"an interval of {{}} min: {lengths} are read", minutes)
        ),
        pl.when(is_off).then(
            pl.format(
                "starts at {} UTC, not on a whole {} min", start.dt.strftime("%Y-%m-%d %H:%M:%S"), minutes
            )
        ),
    )


def value_reason() -> pl.Expr:
    """Return why the ENERGIES [Wh] of a row can't be: none there, not finite, negative one way, or beyond the range."""
    import_wh, export_wh, net_wh = (pl.col(name) for name in ENERGIES)
    reasons = [pl.when(pl.all_horizontal(pl.col(ENERGIES).is_null())).then(pl.lit("holds no energy"))]
    for name in ENERGIES:
        value = pl.col(name)
        reasons.append(pl.when(~value.is_finite()).then(pl.lit(f"{name} is not a finite number")))
        reasons.append(
            pl.when(value.abs() > _MOST_WH).then(
                pl.format(f"{name} {{}} Wh is beyond {_MOST_WH:,.0f} Wh an interval", value)
            )
        )
    for name, value in (("import_wh", import_wh), ("export_wh", export_wh)):
        reasons.append(
            pl.when(value < 0).then(pl.format(f"{name} {{}} Wh is negative; one way counts up only", value))
        )
    both = import_wh.is_not_null() & export_wh.is_not_null() & net_wh.is_not_null()
    differs = ((import_wh - export_wh) - net_wh).abs() > 1.0
    reasons.append(pl.when(both & differs).then(pl.lit("net_wh is not import_wh less export_wh")))
    return pl.coalesce(reasons)
