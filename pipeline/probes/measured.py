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

    def of(self, rows: NDArray[np.int64]) -> Measured:
        """Return those of these homes."""
        return Measured(
            {key: values[rows] for key, values in self.values.items()},
            {key: values[rows] for key, values in self.errors.items()},
            {key: values[rows] for key, values in self.rights.items()},
            self.stratum[rows],
        )

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
    asked: dict[str, pl.Expr] = {}
    for key, _, quantity in all_quantities():
        for leg in legs_of(quantity):
            asked[f"{key} {leg}"] = quantity.value(leg)
            if quantity.se is not None:
                asked[f"{key} {leg} se"] = quantity.se(leg)
        if quantity.right is not None:
            asked[f"{key} right"] = quantity.right
    # Polars divides a single row another way than a column: beside an empty row it rounds as it does among others.
    rows = pl.concat([signals, signals.clear(n=1)], rechunk=True) if signals.height == 1 else signals
    frame = (
        rows.lazy()
        .select(value.cast(pl.Float64).alias(name) for name, value in asked.items())
        .collect(engine="in-memory")
        .head(signals.height)
    )

    def array(name: str) -> Float:
        values = frame[name].fill_null(float("nan")).to_numpy()
        found: Float = np.where(np.isfinite(values), values, np.nan)
        return found

    values, errors, rights = {}, {}, {}
    for key, _, quantity in all_quantities():
        legs = legs_of(quantity)
        values[key] = np.stack([array(f"{key} {leg}") for leg in legs], axis=1)
        known = quantity.se is not None
        errors[key] = (
            np.stack([array(f"{key} {leg} se") for leg in legs], axis=1)
            if known
            else np.zeros_like(values[key])
        )
        if quantity.right is not None:
            rights[key] = array(f"{key} right")
    return Measured(values, errors, rights, strata(signals))


# Homes that are held against each other: by declared position, and whether the source adds production back.
STRATA = (
    "at the loads", "at the loads, added back", "upstream", "upstream, added back", "position unknown",
    "position unknown, added back",
)  # fmt: skip


def strata(signals: pl.DataFrame) -> NDArray[np.int64]:
    """Return each home's place in STRATA, (n,)."""
    position = pl.col("is_declared_upstream").cast(pl.Int64).fill_null(2)
    added = pl.col("is_added_back").fill_null(False).cast(pl.Int64)
    found: NDArray[np.int64] = signals.select((2 * position + added).alias("at"))["at"].to_numpy()
    return found


def probe_table(signals: pl.DataFrame, measured: Measured) -> pl.DataFrame:
    """Return table `probe`, one row a home, quantity and leg that is known.

    site_id; probe; quantity; leg, null for the home's; value; standard_error, null where only the fleet's spread tells;
    right, what a right install of the home's declared position shows; unit; count and counted, how much the probe rests
    on and of what.
    """
    counts = {probe.name: signals.select(probe.count[0].alias("count"))["count"] for probe in PROBES}
    counted = {probe.name: probe.count[1] for probe in PROBES}
    parts = []
    for key, probe, quantity in all_quantities():
        right = measured.rights.get(key, np.full(measured.size, np.nan))
        for at, leg in enumerate(legs_of(quantity)):
            value, error = measured.values[key][:, at], measured.errors[key][:, at]
            known = np.flatnonzero(~np.isnan(value))
            numbers = {
                "value": value[known],
                "standard_error": error[known] if quantity.se is not None else np.full(known.size, np.nan),
                "right": right[known],
            }
            parts.append(
                pl.DataFrame({"site_id": signals["site_id"].gather(known), **numbers}).with_columns(
                    pl.col(*numbers).fill_nan(None),
                    pl.lit(probe).alias("probe"),
                    pl.lit(quantity.name).alias("quantity"),
                    pl.lit(leg if quantity.shape == "leg" else None, dtype=pl.String).alias("leg"),
                    pl.lit(quantity.unit).alias("unit"),
                    counts[probe].gather(known).cast(pl.Float64).alias("count"),
                    pl.lit(counted[probe]).alias("counted"),
                )
            )
    columns = (
        "site_id",
        "probe",
        "quantity",
        "leg",
        "value",
        "standard_error",
        "right",
        "unit",
        "count",
        "counted",
    )
    return pl.concat(parts).select(columns).sort("site_id", maintain_order=True)
