"""What is normal in this fleet: how its own homes scatter around right, beyond their standard errors.

Nine homes in ten are sound, so the fleet's majority says what is right (an empirical null: Efron, J. Am. Stat. Assoc.
99:96, 2004): for each quantity and stratum the weighted median is the centre, and the spread is what has to be added to
the standard errors so that half of the homes lie within 0.6745 of it; a fault in five homes moves either by little.
A thin stratum leans on what many unlike fleets say: centre and log spread are drawn to the shipped ones as far as its
homes are few, and what fleets differ among themselves stays in the spread, so a fleet of one home gets wide limits.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.probes.line_rows import THREE, TWO
from pipeline.probes.measured import STRATA, Measured, all_quantities
from pipeline.probes.probe import Quantity

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


def observe_spreads(
    measured: Measured, rows: NDArray[np.bool_] | None = None
) -> dict[tuple[str, str], Spread]:
    """Return (key, stratum) -> what the homes themselves show, without the shipped ones; only strata with homes.

    `rows` are the homes to look at, (n,); all if not given.
    """
    is_asked = np.ones(measured.size, dtype=np.bool_) if rows is None else rows
    spreads = {}
    for key, _, quantity in compared_quantities(measured.line_count):
        columns = measured.values[key].shape[1] * (2 if quantity.shape == "contrast" else 1)
        for name in (ANYWHERE, *STRATA):
            homes = is_asked if name == ANYWHERE else is_asked & (measured.stratum == STRATA.index(name))
            value, error = measured.values[key][homes].ravel(), measured.errors[key][homes].ravel()
            if quantity.shape == "contrast":  # legs can be exchanged: as far above zero as below
                value, error = np.concatenate([value, -value]), np.concatenate([error, error])
            spread = _robust(value, error, quantity.floor, legs=columns)
            if spread is not None:
                spreads[key, name] = spread
    return spreads


def _robust(value: Float, error: Float, floor: float, legs: int) -> Spread | None:
    known = ~np.isnan(value) & ~np.isnan(error)
    value, error = value[known], error[known]
    if not value.size:
        return None
    weight = 1 / (error**2 + np.median(error) ** 2 + 1e-12)
    order = np.argsort(value, kind="stable")
    summed = np.cumsum(weight[order])
    centre = float(value[order][np.searchsorted(summed, summed[-1] / 2)])
    square, variance = (value - centre) ** 2, error**2
    spread = float(np.sqrt(np.median(square) / HALF))
    if variance.any():  # halving: the median of square / (variance + spread^2) falls as the spread grows
        low = 0.0
        for _ in range(20):
            middle = (low + spread) / 2
            if np.median(square / (variance + middle**2 + 1e-18)) > HALF:
                low = middle
            else:
                spread = middle
    spread = max(spread, floor)
    size = np.abs(value - centre) / np.sqrt(variance + spread**2)
    middle, fifth, tenth = np.quantile(size, (0.5, 0.8, 0.9))
    tail = float(np.clip(fifth / max(middle, 1e-9) / NORMAL_TAIL, 1.0, MOST_TAIL))
    outer = float(np.clip(tenth / NORMAL_OUTER, 1.0, MOST_OUTER))
    return Spread(centre, spread, -(-int(value.size) // legs), tail=tail, outer=outer)


def pool_spreads(fleets: Iterable[Normal]) -> dict[tuple[str, str], Spread]:
    """Return the shipped spreads: the median of many unlike fleets', and how far these differ among themselves."""
    by_key: dict[tuple[str, str], list[Spread]] = {}
    for fleet in fleets:
        for key, spread in fleet.items():
            if spread.homes >= FEWEST_OF_FLEET:
                by_key.setdefault(key, []).append(spread)
    shipped = {}
    for key, spreads in sorted(by_key.items()):
        centres = np.array([spread.centre for spread in spreads])
        logs = np.log([spread.spread for spread in spreads])
        usual = float(np.exp(np.median(logs)))
        shipped[key] = Spread(
            centre=float(np.median(centres)),
            spread=usual,
            homes=sum(spread.homes for spread in spreads),
            centre_sd=max(float(centres.std()), 0.3 * usual),
            spread_sd=max(float(logs.std()), 0.3),
            tail=float(np.median([spread.tail for spread in spreads])),
            outer=float(np.exp(np.median(np.log([spread.outer for spread in spreads])))),
        )
    return shipped


def shrink_spreads(seen: Normal, shipped: Normal) -> dict[tuple[str, str], Spread]:
    """Return the fleet's normal: its own spreads, drawn to the shipped ones as far as its homes are few.

    With n others a median's variance is 1.57 spread^2 / n, that of the logarithm of a spread from a median 1.4 / n. No
    home is compared with itself: of n homes n - 1 are others. What is not known of the centre stays in the spread.
    """
    normal = {}
    for key, _, _ in compared_quantities(
        THREE
    ):  # of two legs too: what these aren't asked, neither of both has
        for name in STRATA:
            prior = shipped.get((key, name), shipped.get((key, ANYWHERE)))
            spread = seen.get((key, name))
            if prior is not None:
                normal[key, name] = _shrink(spread, prior)
            elif spread is not None:
                normal[key, name] = spread
    return normal


def _shrink(seen: Spread | None, prior: Spread) -> Spread:
    homes = 0 if seen is None else seen.homes
    others = homes - 1
    if seen is None or others < 1:
        wide = float(np.hypot(prior.spread, prior.centre_sd))
        return Spread(prior.centre, wide, homes, tail=prior.tail, outer=prior.outer)
    of_centre = prior.centre_sd**2 / (prior.centre_sd**2 + 1.57 * prior.spread**2 / others + 1e-18)
    of_spread = prior.spread_sd**2 / (prior.spread_sd**2 + 1.4 / others)
    spread = np.exp(of_spread * np.log(seen.spread) + (1 - of_spread) * np.log(prior.spread))
    centre = of_centre * seen.centre + (1 - of_centre) * prior.centre
    of_tail = others / (others + TAIL_HOMES)
    tail = of_tail * seen.tail + (1 - of_tail) * prior.tail
    outer = np.exp(of_tail * np.log(seen.outer) + (1 - of_tail) * np.log(prior.outer))
    wide = float(np.sqrt(spread**2 + (1 - of_centre) * prior.centre_sd**2))
    return Spread(float(centre), wide, homes, tail=float(tail), outer=float(outer))


def sample_rows(homes: int) -> NDArray[np.bool_]:
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

    def take(self, rows: NDArray[np.int64]) -> Deviations:
        """Return the homes at these rows."""
        return Deviations(
            *({key: values[rows] for key, values in part.items()} for part in (self.spread, self.outer))
        )


def compared_quantities(line_count: int = TWO) -> Iterator[tuple[str, str, Quantity]]:
    """Yield (key, probe, quantity) of those that are held against the fleet's own."""
    return (row for row in all_quantities(line_count) if row[2].is_compared)


def spread_column(measured: Measured, normal: Normal, key: str, *, name: str, otherwise: float) -> Float:
    """Return one number of `Spread` for the stratum of each home, (n,).

    Parameters
    ----------
    measured, normal
        The homes, and what is normal in their fleet.
    key, name
        The quantity, and which number of its `Spread`.
    otherwise
        Of strata without a normal.
    """
    by_stratum = [getattr(normal.get((key, stratum)), name, otherwise) for stratum in STRATA]
    return np.array(by_stratum, dtype=np.float64)[measured.stratum]


def measure_deviations(measured: Measured, normal: Normal) -> Deviations:
    """Return how far the homes lie from what is normal."""
    spreads, outers = {}, {}
    for key, _, quantity in compared_quantities(measured.line_count):
        centre = spread_column(measured, normal, key, name="centre", otherwise=np.nan)
        spread = spread_column(measured, normal, key, name="spread", otherwise=np.nan)
        if quantity.shape == "contrast":
            centre = np.where(np.isnan(centre), np.nan, 0.0)
        error = np.sqrt(measured.errors[key] ** 2 + spread[:, None] ** 2)
        spreads[key] = (measured.values[key] - centre[:, None]) / error
        if quantity.wrong:
            outers[key] = (
                spreads[key] / spread_column(measured, normal, key, name="outer", otherwise=1.0)[:, None]
            )
    return Deviations(spreads, outers)


def normal_table(normal: Normal, own: Normal, shipped: Normal) -> pl.DataFrame:
    """Return table `fleet_normal`, one row a quantity and stratum.

    probe, quantity, stratum, unit; centre, spread, tail and outer as the night used them; `homes` that they
    rest on; `own_centre`, `own_spread` of this fleet alone and `shipped_centre`, `shipped_spread` of many; `base_rate`,
    null here, is that of homes of three lines.
    """
    rows = []
    units = {key: (probe, quantity.name, quantity.unit) for key, probe, quantity in all_quantities(THREE)}
    for (key, stratum), spread in normal.items():
        probe, quantity, unit = units[key]
        seen, prior = own.get((key, stratum)), shipped.get((key, stratum), shipped.get((key, ANYWHERE)))
        rows.append(
            (
                probe, quantity, stratum, unit, spread.centre, spread.spread, spread.tail, spread.outer, spread.homes,
                *((seen.centre, seen.spread) if seen else (None, None)),
                *((prior.centre, prior.spread) if prior else (None, None)),
                None,
            )
        )  # fmt: skip
    return pl.DataFrame(rows, schema=NORMAL_SCHEMA, orient="row")


NORMAL_SCHEMA = pl.Schema(
    {
        "probe": pl.String, "quantity": pl.String, "stratum": pl.String, "unit": pl.String, "centre": pl.Float64,
        "spread": pl.Float64, "tail": pl.Float64, "outer": pl.Float64, "homes": pl.Int64, "own_centre": pl.Float64,
        "own_spread": pl.Float64, "shipped_centre": pl.Float64, "shipped_spread": pl.Float64, "base_rate": pl.Float64,
    }
)  # fmt: skip
