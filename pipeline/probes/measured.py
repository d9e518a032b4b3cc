"""Signals -> every probe's quantities with their errors, as arrays and as the table `probe`."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.line_pairs import PAIR_INDICES
from pipeline.core.services import LINES, leg_code
from pipeline.probes import PROBES
from pipeline.probes.line_rows import (
    THREE,
    TWO,
    by_line_count,
    line_count_of,
    pair_rows,
    read_three_lines,
    with_wirings,
)
from pipeline.probes.probe import Quantity

Float = NDArray[np.float64]
LEGS = ("l1", "l2")


@dataclass(frozen=True)
class Measured:
    """The quantities of n homes by key "probe.quantity".

    `values` and `errors` are (n, 2) where each leg has its own, else (n, 1); of homes of three lines (n, 3) where each
    line or each pair of lines (12, 23, 31) has its own. NaN is what is not known, an error of 0 where the quantity has
    none of its own. `rights` are (n,): the value at a right install. `line_count` is 3, or 2 for homes of up to two.
    """

    values: Mapping[str, Float]
    errors: Mapping[str, Float]
    rights: Mapping[str, Float]
    stratum: NDArray[np.int64]
    line_count: int = TWO

    def take(self, rows: NDArray[np.int64]) -> Measured:
        """Return the homes at these rows."""
        values, errors, rights = (
            {key: array[rows] for key, array in arrays.items()}
            for arrays in (self.values, self.errors, self.rights)
        )
        return Measured(values, errors, rights, self.stratum[rows], self.line_count)

    @property
    def size(self) -> int:
        """Number of homes."""
        return int(self.stratum.size)


def all_quantities(line_count: int = TWO) -> Iterator[tuple[str, str, Quantity]]:
    """Yield (key, probe, quantity) of what is asked of homes with so many lines, in order."""
    for probe in PROBES:
        for quantity in probe.quantities:
            if max(probe.least_lines, quantity.least_lines) <= line_count:
                yield f"{probe.name}.{quantity.name}", probe.name, quantity


def legs_of(quantity: Quantity, line_count: int = TWO) -> tuple[str, ...]:
    """Return what the quantity has a value of, as codes of legs: lines, or pairs of three; one if it is the home's."""
    if line_count == TWO:
        return LEGS if quantity.shape == "leg" else LEGS[:1]
    if quantity.shape == "leg":
        return LINES
    if quantity.is_of_pair:
        return tuple(leg_code([LINES[line] for line in lines], THREE) for lines in PAIR_INDICES.values())
    return LINES[:1]


def measure(signals: pl.DataFrame) -> Measured:
    """Return the quantities of the homes of `signals` (table site_signal), in its order.

    Raises
    ------
    ValueError
        Some of the homes have three lines and some fewer; see `line_rows.by_line_count`.
    """
    return _measure_three(with_wirings(signals)) if line_count_of(signals) == THREE else _measure_two(signals)


def _measure_two(signals: pl.DataFrame) -> Measured:
    columns: dict[str, pl.Expr] = {}
    for key, _, quantity in all_quantities():
        columns |= _asked(key, quantity, legs_of(quantity))
        if quantity.right is not None:
            columns[f"{key} right"] = quantity.right
    frame = _numbers(signals, columns)

    def array(*names: str) -> Float:
        return _finite(frame.select(names).to_numpy(order="c"))

    values, errors, rights = {}, {}, {}
    for key, _, quantity in all_quantities():
        names = [f"{key} {leg}" for leg in legs_of(quantity)]
        values[key] = array(*names)
        has_error = quantity.se is not None
        errors[key] = array(*(f"{name} se" for name in names)) if has_error else np.zeros_like(values[key])
        if quantity.right is not None:
            rights[key] = array(f"{key} right")[:, 0]
    return Measured(values, errors, rights, strata(signals))


def _measure_three(signals: pl.DataFrame) -> Measured:
    quantities = [*all_quantities(THREE)]
    numbers: dict[tuple[str, str], Float] = {}  # by pair ("": the home's row) and name
    for pair, rows in {"": signals, **pair_rows(signals)}.items():
        columns: dict[str, pl.Expr] = {}
        for key, _, quantity in quantities:
            if (pair != "") == quantity.is_of_pair:
                # a pair's row is a two-leg home's
                columns |= _asked(key, quantity, legs_of(quantity, TWO if pair else THREE))
            if not pair and quantity.right is not None:
                columns[f"{key} right"] = quantity.right
        frame = _numbers(rows, columns).to_dict(as_series=True)
        numbers |= {(pair, name): _finite(series.to_numpy()) for name, series in frame.items()}

    def read(name: str, pair: str, leg: str) -> Float:
        return numbers[pair, name.format(leg)]

    values, errors, rights = {}, {}, {}
    for key, _, quantity in quantities:
        values[key] = read_three_lines(quantity, partial(read, key + " {}"))
        errors[key] = np.zeros_like(values[key])
        if quantity.se is not None:
            errors[key] = read_three_lines(quantity, partial(read, key + " {} se"))
        if quantity.right is not None:
            rights[key] = numbers["", f"{key} right"]
    return Measured(values, errors, rights, strata(signals), THREE)


def _asked(key: str, quantity: Quantity, legs: Iterable[str]) -> dict[str, pl.Expr]:
    """Return the quantity's value on each leg, and its error where it has one, by name."""
    asked = {}
    for leg in legs:
        asked[f"{key} {leg}"] = quantity.value(leg)
        if quantity.se is not None:
            asked[f"{key} {leg} se"] = quantity.se(leg)
    return asked


def _numbers(signals: pl.DataFrame, columns: Mapping[str, pl.Expr]) -> pl.DataFrame:
    # Polars divides a single row another way than a column: beside an empty row it rounds as it does among others.
    rows = pl.concat([signals, signals.clear(n=1)], rechunk=True) if signals.height == 1 else signals
    return (
        rows.lazy()
        .select(value.cast(pl.Float64).alias(name) for name, value in columns.items())
        .collect(engine="in-memory")
        .head(signals.height)
    )


def _finite(numbers: Float) -> Float:
    return np.where(np.isfinite(numbers), numbers, np.nan)


# Homes that are compared with each other: by declared position, and whether the source adds production back.
STRATA = (
    "at the loads", "at the loads, added back", "upstream", "upstream, added back", "position unknown",
    "position unknown, added back",
)  # fmt: skip
OF_THREE_LINES = (
    ", three lines"  # how the stratum of homes of three lines ends, which are compared among themselves
)


def strata(signals: pl.DataFrame) -> NDArray[np.int64]:
    """Return each home's index in STRATA, (n,)."""
    position = pl.col("is_declared_upstream").cast(pl.Int64).fill_null(2)
    added = pl.col("is_added_back").fill_null(False).cast(pl.Int64)
    return signals.select(stratum=2 * position + added)["stratum"].to_numpy()


def probe_table(signals: pl.DataFrame) -> pl.DataFrame:
    """Return table `probe`, one row a home, quantity and leg that is known.

    site_id; probe; quantity; leg, null for the home's, of three lines both lines of a pair's; value; standard_error,
    null where only the fleet's spread tells; right, what a right install of the home's declared position shows; unit;
    count and counted, how much the probe rests on and of what.
    """
    parts = [
        part
        for line_count, homes in by_line_count(signals)
        for part in _table_parts(homes, measure(homes), line_count)
    ]
    columns = (
        "site_id", "probe", "quantity", "leg", "value", "standard_error", "right", "unit", "count", "counted",
    )  # fmt: skip
    return pl.concat(parts).select(columns).sort("site_id", maintain_order=True)


def _table_parts(signals: pl.DataFrame, measured: Measured, line_count: int) -> Iterator[pl.DataFrame]:
    counts = {probe.name: probe.count for probe in PROBES}
    for key, probe, quantity in all_quantities(line_count):
        count, counted = counts[probe]
        homes = signals.select("site_id", count=count.cast(pl.Float64))
        right = measured.rights.get(key, np.full(measured.size, np.nan))
        legs = legs_of(quantity, line_count)
        for column, leg in enumerate(legs):
            error = measured.errors[key][:, column] if quantity.se is not None else np.nan
            has_leg = quantity.shape == "leg" or len(legs) > 1
            table = homes.with_columns(
                pl.Series("value", measured.values[key][:, column]).fill_nan(None),
                pl.lit(error).alias("standard_error").fill_nan(None),
                pl.Series("right", right).fill_nan(None),
                probe=pl.lit(probe),
                quantity=pl.lit(quantity.name),
                leg=pl.lit(leg if has_leg else None, dtype=pl.String),
                unit=pl.lit(quantity.unit),
                counted=pl.lit(counted),
            )
            yield table.filter(pl.col("value").is_not_null())
