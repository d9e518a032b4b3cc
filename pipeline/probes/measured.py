"""Signals -> every probe's quantities with their errors, as arrays and as the table `probe`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.probes import PROBES
from pipeline.probes.probe import Quantity

Float = NDArray[np.float64]
LEGS = ("l1", "l2")


@dataclass(frozen=True)
class Measured:
    """The quantities of n homes by key "probe.quantity".

    `values` and `errors` are (n, 2) where each leg has its own, else (n, 1); NaN for what is not known, an error of 0
    where the quantity has none of its own. `rights` are (n,): the value at a right install.
    """

    values: Mapping[str, Float]
    errors: Mapping[str, Float]
    rights: Mapping[str, Float]
    stratum: NDArray[np.int64]

    def take(self, rows: NDArray[np.int64]) -> Measured:
        """Return the homes at these rows."""
        values, errors, rights = (
            {key: array[rows] for key, array in arrays.items()}
            for arrays in (self.values, self.errors, self.rights)
        )
        return Measured(values, errors, rights, self.stratum[rows])

    @property
    def size(self) -> int:
        """Number of homes."""
        return int(self.stratum.size)


def all_quantities() -> Iterator[tuple[str, str, Quantity]]:
    """Yield (key, probe, quantity) of the whole catalogue in order."""
    for probe in PROBES:
        for quantity in probe.quantities:
            yield f"{probe.name}.{quantity.name}", probe.name, quantity


def legs_of(quantity: Quantity) -> tuple[str, ...]:
    """Return the legs the quantity has a value for; one where it belongs to the home."""
    return LEGS if quantity.shape == "leg" else LEGS[:1]


def measure(signals: pl.DataFrame) -> Measured:
    """Return the quantities of the homes of `signals` (table site_signal), in its order."""
    columns: dict[str, pl.Expr] = {}
    for key, _, quantity in all_quantities():
        for leg in legs_of(quantity):
            columns[f"{key} {leg}"] = quantity.value(leg)
            if quantity.se is not None:
                columns[f"{key} {leg} se"] = quantity.se(leg)
        if quantity.right is not None:
            columns[f"{key} right"] = quantity.right
    # Polars divides a single row another way than a column: beside an empty row it rounds as it does among others.
    rows = pl.concat([signals, signals.clear(n=1)], rechunk=True) if signals.height == 1 else signals
    frame = (
        rows.lazy()
        .select(value.cast(pl.Float64).alias(name) for name, value in columns.items())
        .collect(engine="in-memory")
        .head(signals.height)
    )

    def array(*names: str) -> Float:
        numbers = frame.select(names).to_numpy(order="c")
        return np.where(np.isfinite(numbers), numbers, np.nan)

    values, errors, rights = {}, {}, {}
    for key, _, quantity in all_quantities():
        names = [f"{key} {leg}" for leg in legs_of(quantity)]
        values[key] = array(*names)
        has_error = quantity.se is not None
        errors[key] = array(*(f"{name} se" for name in names)) if has_error else np.zeros_like(values[key])
        if quantity.right is not None:
            rights[key] = array(f"{key} right")[:, 0]
    return Measured(values, errors, rights, strata(signals))


# Homes that are compared with each other: by declared position, and whether the source adds production back.
STRATA = (
    "at the loads", "at the loads, added back", "upstream", "upstream, added back", "position unknown",
    "position unknown, added back",
)  # fmt: skip


def strata(signals: pl.DataFrame) -> NDArray[np.int64]:
    """Return each home's index in STRATA, (n,)."""
    position = pl.col("is_declared_upstream").cast(pl.Int64).fill_null(2)
    added = pl.col("is_added_back").fill_null(False).cast(pl.Int64)
    return signals.select(stratum=2 * position + added)["stratum"].to_numpy()


def probe_table(signals: pl.DataFrame, measured: Measured) -> pl.DataFrame:
    """Return table `probe`, one row a home, quantity and leg that is known.

    site_id; probe; quantity; leg, null for the home's; value; standard_error, null where only the fleet's spread tells;
    right, what a right install of the home's declared position shows; unit; count and counted, how much the probe rests
    on and of what.
    """
    parts = []
    counts = {probe.name: probe.count for probe in PROBES}
    for key, probe, quantity in all_quantities():
        count, counted = counts[probe]
        homes = signals.select("site_id", count=count.cast(pl.Float64))
        right = measured.rights.get(key, np.full(measured.size, np.nan))
        for column, leg in enumerate(legs_of(quantity)):
            error = measured.errors[key][:, column] if quantity.se is not None else np.nan
            table = homes.with_columns(
                pl.Series("value", measured.values[key][:, column]).fill_nan(None),
                pl.lit(error).alias("standard_error").fill_nan(None),
                pl.Series("right", right).fill_nan(None),
                probe=pl.lit(probe),
                quantity=pl.lit(quantity.name),
                leg=pl.lit(leg if quantity.shape == "leg" else None, dtype=pl.String),
                unit=pl.lit(quantity.unit),
                counted=pl.lit(counted),
            )
            parts.append(table.filter(pl.col("value").is_not_null()))
    columns = (
        "site_id", "probe", "quantity", "leg", "value", "standard_error", "right", "unit", "count", "counted",
    )  # fmt: skip
    return pl.concat(parts).select(columns).sort("site_id", maintain_order=True)
