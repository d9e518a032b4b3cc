"""What is normal in this fleet: how its own homes scatter around right, beyond their standard errors.

Nine homes in ten are sound, so the fleet's majority is the yardstick (an empirical null: Efron, J. Am. Stat. Assoc.
99:96, 2004): for each quantity and stratum the weighted median is the centre, and the spread is what has to be added to
the standard errors so that half of the homes lie within 0.6745 of it; a fault in five homes moves either by little.
A thin stratum leans on what many unlike fleets say: centre and log spread are drawn to the shipped ones as far as its
homes are few, and what fleets differ among themselves stays in the spread, so a fleet of one home gets wide limits.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.probes.measured import STRATA, Measured, all_quantities

Float = NDArray[np.float64]
MOST_HOMES = 10_000  # of a fleet that its normal is learned from, evenly taken: more only costs time
HALF = 0.4549  # median of chi-square with one degree of freedom
NORMAL_TAIL = 1.9  # 80th percentile over median of the size of a standard normal deviate
NORMAL_OUTER = 1.645  # 90th percentile of that size
MOST_OUTER = 1e4
MOST_TAIL = 3.0
TAIL_HOMES = 50.0  # what the shipped tail counts for: an outer fifth is known from few homes
ANYWHERE = "all"
FEWEST_OF_FLEET = 20  # homes that a training fleet's stratum must have to speak


@dataclass(frozen=True)
class Spread:
    """How right homes scatter: `centre` and `spread` [unit], `homes` behind them.

    `tail` says how much farther out the outer fifth lies than a normal law's would, 1 to MOST_TAIL; `outer` the same of
    the outer tenth, without a limit: where one home in ten lies far out, lying there is no sign of a fault.

    Of a shipped spread `centre_sd` is how far fleets' centres differ [unit] and `spread_sd` how far the logarithms of
    their spreads do.
    """

    centre: float
    spread: float
    homes: int = 0
    centre_sd: float = 0.0
    spread_sd: float = 0.0
    tail: float = 1.0
    outer: float = 1.0


Normal = Mapping[tuple[str, str], Spread]


def observe(measured: Measured, rows: NDArray[np.bool_] | None = None) -> dict[tuple[str, str], Spread]:
    """Return (key, stratum) -> what the homes themselves show, leaning on nothing; strata without homes are left out.

    `rows` are the homes to look at, (n,); all if not given.
    """
    wanted = np.ones(measured.size, dtype=np.bool_) if rows is None else rows
    found = {}
    for key, _, quantity in all_quantities():
        if not quantity.is_compared:
            continue
        for name in (ANYWHERE, *STRATA):
            some = wanted if name == ANYWHERE else wanted & (measured.stratum == STRATA.index(name))
            value, error = measured.values[key][some].ravel(), measured.errors[key][some].ravel()
            if quantity.shape == "contrast":  # legs can be exchanged: as far above zero as below
                value, error = np.concatenate([value, -value]), np.concatenate([error, error])
            spread = _robust(value, error, quantity.floor, legs=2 if quantity.shape != "home" else 1)
            if spread is not None:
                found[key, name] = spread
    return found


def _robust(value: Float, error: Float, floor: float, legs: int) -> Spread | None:
    known = ~np.isnan(value) & ~np.isnan(error)
    value, error = value[known], error[known]
    if not value.size:
        return None
    weight = 1 / (error**2 + np.median(error) ** 2 + 1e-12)
    centre = float(np.quantile(value, 0.5, weights=weight, method="inverted_cdf"))
    square, own = (value - centre) ** 2, error**2
    high = float(np.sqrt(np.median(square) / HALF))
    if own.any():  # halving: the median of square / (own + spread^2) falls as the spread grows
        low = 0.0
        for _ in range(20):
            middle = (low + high) / 2
            low, high = (
                (middle, high) if np.median(square / (own + middle**2 + 1e-18)) > HALF else (low, middle)
            )
    size = np.abs(value - centre) / np.sqrt(own + max(high, floor) ** 2)
    middle, fifth, tenth = np.quantile(size, (0.5, 0.8, 0.9))
    tail = float(np.clip(fifth / max(middle, 1e-9) / NORMAL_TAIL, 1.0, MOST_TAIL))
    outer = float(np.clip(tenth / NORMAL_OUTER, 1.0, MOST_OUTER))
    return Spread(centre, max(high, floor), -(-int(value.size) // legs), tail=tail, outer=outer)


def pool(fleets: Iterable[Mapping[tuple[str, str], Spread]]) -> dict[tuple[str, str], Spread]:
    """Return the shipped spreads: the median of many unlike fleets', and how far these differ among themselves."""
    held: dict[tuple[str, str], list[Spread]] = {}
    for fleet in fleets:
        for at, spread in fleet.items():
            if spread.homes >= FEWEST_OF_FLEET:
                held.setdefault(at, []).append(spread)
    shipped = {}
    for at, spreads in sorted(held.items()):
        centres = np.array([spread.centre for spread in spreads])
        logs = np.log([spread.spread for spread in spreads])
        usual = float(np.exp(np.median(logs)))
        shipped[at] = Spread(
            float(np.median(centres)),
            usual,
            sum(spread.homes for spread in spreads),
            max(float(centres.std()), 0.3 * usual),
            max(float(logs.std()), 0.3),
            float(np.median([spread.tail for spread in spreads])),
            float(np.exp(np.median(np.log([spread.outer for spread in spreads])))),
        )
    return shipped


def lean(own: Normal, shipped: Normal) -> dict[tuple[str, str], Spread]:
    """Return the fleet's normal: its own spreads, drawn to the shipped ones as far as its homes are few.

    With n others a median's variance is 1.57 spread^2 / n, that of the logarithm of a spread from a median 1.4 / n. No
    home is a yardstick for itself: of n homes n - 1 are others. What is not known of the centre stays in the spread.
    """
    leaned = {}
    for key, _, quantity in all_quantities():
        if not quantity.is_compared:
            continue
        for name in STRATA:
            before = shipped.get((key, name), shipped.get((key, ANYWHERE)))
            seen = own.get((key, name))
            if before is None and seen is None:
                continue
            if seen is None:
                assert before is not None
                wide = float(np.hypot(before.spread, before.centre_sd))
                leaned[key, name] = Spread(before.centre, wide, 0, tail=before.tail, outer=before.outer)
            elif before is None:
                leaned[key, name] = seen
            else:
                leaned[key, name] = _between(seen, before)
    return leaned


def _between(seen: Spread, before: Spread) -> Spread:
    others = seen.homes - 1
    if others < 1:
        wide = float(np.hypot(before.spread, before.centre_sd))
        return Spread(before.centre, wide, seen.homes, tail=before.tail, outer=before.outer)
    ours = before.centre_sd**2 / (before.centre_sd**2 + 1.57 * before.spread**2 / others + 1e-18)
    of_spread = before.spread_sd**2 / (before.spread_sd**2 + 1.4 / others)
    spread = np.exp(of_spread * np.log(seen.spread) + (1 - of_spread) * np.log(before.spread))
    unknown = (1 - ours) * before.centre_sd**2
    centre = ours * seen.centre + (1 - ours) * before.centre
    part = others / (others + TAIL_HOMES)
    tail = part * seen.tail + (1 - part) * before.tail
    outer = np.exp(part * np.log(seen.outer) + (1 - part) * np.log(before.outer))
    wide = float(np.sqrt(spread**2 + unknown))
    return Spread(float(centre), wide, seen.homes, tail=float(tail), outer=float(outer))


def taken(homes: int) -> NDArray[np.bool_]:
    """Return which of so many homes a normal is learned from: all, or MOST_HOMES at even steps."""
    if homes <= MOST_HOMES:
        return np.ones(homes, dtype=np.bool_)
    rows = np.zeros(homes, dtype=np.bool_)
    rows[np.linspace(0, homes - 1, MOST_HOMES).round().astype(np.int64)] = True
    return rows


@dataclass(frozen=True)
class Deviations:
    """How far homes lie from the fleet's centre, by key, shaped as the quantity's values; NaN where nothing is known.

    `spread`: (value - centre) / sqrt(error^2 + spread^2), of every compared quantity. `outer`: the same over how far
    out the fleet's own outer tenth lies, of the quantities that faults move.
    """

    spread: Mapping[str, Float]
    outer: Mapping[str, Float]

    def of(self, rows: NDArray[np.int64]) -> Deviations:
        """Return those of these homes."""
        return Deviations(
            *({key: values[rows] for key, values in part.items()} for part in (self.spread, self.outer))
        )


def deviations(measured: Measured, normal: Normal) -> Deviations:
    """Return how far the homes lie from what is normal."""
    spreads, outers = {}, {}
    for key, _, quantity in all_quantities():
        if not quantity.is_compared:
            continue
        centre, spread, outer = (
            np.full(measured.size, np.nan),
            np.full(measured.size, np.nan),
            np.ones(measured.size),
        )
        for at, name in enumerate(STRATA):
            if (key, name) in normal:
                some, here = measured.stratum == at, normal[key, name]
                centre[some], spread[some], outer[some] = here.centre, here.spread, here.outer
        if quantity.shape == "contrast":
            centre = np.where(np.isnan(centre), np.nan, 0.0)
        spreads[key] = (measured.values[key] - centre[:, None]) / np.sqrt(
            measured.errors[key] ** 2 + spread[:, None] ** 2
        )
        if quantity.wrong:
            outers[key] = spreads[key] / outer[:, None]
    return Deviations(spreads, outers)


def normal_table(normal: Normal, own: Normal, shipped: Normal) -> pl.DataFrame:
    """Return table `fleet_normal`, one row a quantity and stratum.

    probe, quantity, stratum, unit; centre, spread, tail and outer as the night used them; `homes` that they
    rest on; `own_centre`, `own_spread` of this fleet alone and `shipped_centre`, `shipped_spread` of many.
    """
    rows = []
    units = {key: (probe, quantity.name, quantity.unit) for key, probe, quantity in all_quantities()}
    for (key, stratum), spread in normal.items():
        probe, quantity, unit = units[key]
        ours, theirs = own.get((key, stratum)), shipped.get((key, stratum), shipped.get((key, ANYWHERE)))
        rows.append(
            {
                "probe": probe, "quantity": quantity, "stratum": stratum, "unit": unit, "centre": spread.centre,
                "spread": spread.spread, "tail": spread.tail, "outer": spread.outer, "homes": spread.homes,
                "own_centre": ours.centre if ours else None, "own_spread": ours.spread if ours else None,
                "shipped_centre": theirs.centre if theirs else None,
                "shipped_spread": theirs.spread if theirs else None,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=NORMAL_SCHEMA)


NORMAL_SCHEMA = pl.Schema(
    {
        "probe": pl.String, "quantity": pl.String, "stratum": pl.String, "unit": pl.String, "centre": pl.Float64,
        "spread": pl.Float64, "tail": pl.Float64, "outer": pl.Float64, "homes": pl.Int64, "own_centre": pl.Float64,
        "own_spread": pl.Float64, "shipped_centre": pl.Float64, "shipped_spread": pl.Float64,
    }
)  # fmt: skip
