"""What each witness says of each wiring: the sun, the nights, voltage sag, loads on several lines, the utility meter.

Each witness says how likely what a channel shows is where its CT is on this line with this sign. Tolerances are stated
here and wide; beside each stands a small share of homes in which something else made the number, so that no single one
decides alone. An inverter that feeds one line lights that line only, and which line it is, is part of what is found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from itertools import combinations
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr

from pipeline.core.line_pairs import PAIR_INDICES
from pipeline.core.services import LINES, Service

Float = NDArray[np.float64]
Int = NDArray[np.int64]

SLOPE_SD, SLOPE_ODD, SLOPE_RANGE = (
    0.05,
    0.03,
    3.0,
)  # W per W of PV; share of odd ones, and where these may lie
VAR_SD = 0.06  # var per W of PV
METER_SD, METER_MOVED_SD, METER_ODD, METER_RANGE = 0.12, 0.7, 0.05, 8.0  # one over gain
STEP_SD, STEP_ODD, STEP_RANGE = 0.2, 0.25, 4.0  # ln of how much one line steps for the other
SURE_Z = 3.0  # standard errors from which a sag has a sign
# Share of homes whose night level is below zero, by how the load's reading is turned: its own line, turned around; on
# another line, reactive power of a usual lag making it more so on the one side and less on the other.
NIGHT_BELOW: Final = {"own": 0.01, "turned": 0.985, "behind": 0.93, "ahead": 0.75}
# Shares of homes whose sag is right way round, unclear, wrong way round, by what it should be.
SAG_SHARES: Final = {1: (0.78, 0.21, 0.01), 0: (0.15, 0.70, 0.15), -1: (0.01, 0.21, 0.78)}
OPPOSITE_SHARES: Final = (
    0.03,
    0.9,
)  # of homes whose steps are opposite: where they should not be, where they should
FEWEST_STEPS = 8
LEAST_NIGHT_W = 3.0
# Before the data: which lines an inverter feeds, by how many; and how often the site record is right about it.
FED_SHARES: Final = {1: {1: 1.0}, 2: {2: 0.94, 1: 0.03}, 3: {3: 0.70, 1: 0.08, 2: 0.02}}
DECLARED_SHARE = 0.97
LARGE_KW, LARGE_FACTOR = 4.6, 0.2  # from here on most grids ask for three lines


@dataclass(frozen=True)
class Witnesses:
    """What n homes show of each channel, (n, lines), or of each pair of lines, (n, pairs); NaN where it isn't known.

    `slope`, `var` [W, var per W of PV] with `slope_se`, `var_se`, production that the source adds back taken off;
    `night_w`, `night_below` its share of intervals below zero; `meter`, `meter_se` the joint coefficients [W/W]; `sag`
    (n, pairs, 2) in standard errors, positive the right way round; `opposite`, `log_ratio`, `log_se`, `steps` of loads
    on two lines at once. `is_upstream` (n,) is 1, 0, or NaN; `fed` (n, sets) the log share of each set of lines that an
    inverter may feed.
    """

    slope: Float
    slope_se: Float
    var: Float
    var_se: Float
    night_w: Float
    night_below: Float
    meter: Float
    meter_se: Float
    sag: Float
    opposite: Float
    log_ratio: Float
    log_se: Float
    steps: Float
    is_upstream: Float
    fed: Float

    def take(self, rows: Int) -> Witnesses:
        """Return the homes at these rows."""
        return Witnesses(*(getattr(self, part.name)[rows] for part in fields(self)))


def sets_of_lines(line_count: int) -> tuple[tuple[int, ...], ...]:
    """Return every set of lines that an inverter can feed, as indices."""
    return tuple(
        lines for size in range(1, line_count + 1) for lines in combinations(range(line_count), size)
    )


def read_witnesses(signals: pl.DataFrame, pairs: Mapping[str, pl.DataFrame], line_count: int) -> Witnesses:
    """Return what the homes of site_signal show, as arrays; `pairs` are their rows pair by pair, as of two legs."""
    lines = LINES[:line_count]
    pair_rows = [pairs[pair] for pair in PAIR_INDICES if pair in pairs]

    def of_lines(template: str, frame: pl.DataFrame = signals) -> Float:
        return np.column_stack([_numbers(frame, template.format(line)) for line in lines])

    def of_pairs(name: str) -> Float:
        columns = [_numbers(rows, name) for rows in pair_rows]
        return np.column_stack(columns) if columns else np.empty((signals.height, 0))

    share = np.column_stack([_numbers(signals, f"pv_share_{line}", 1 / line_count) for line in lines])
    added = np.where(_numbers(signals, "is_added_back", 0.0)[:, None] > 0, share, 0.0)
    is_metered = (_numbers(signals, "meter_share") > 0.5) & (_numbers(signals, "meter_r2") > 0.3)
    sags = [np.column_stack([-_numbers(rows, "sag_l1_z"), _numbers(rows, "sag_l2_z")]) for rows in pair_rows]
    return Witnesses(
        of_lines("slope_{}") - added, of_lines("slope_{}_se"), of_lines("var_{}"), of_lines("var_{}_se"),
        of_lines("night_{}_w"), of_lines("night_{}_negative_share"),
        np.where(is_metered[:, None], of_lines("meter_{}"), np.nan), of_lines("meter_{}_se"),
        np.stack(sags, axis=1) if sags else np.empty((signals.height, 0, 2)),
        of_pairs("pair_opposite_share"), of_pairs("pair_log_ratio"), of_pairs("pair_log_se"), of_pairs("pair_n"),
        _numbers(signals, "is_declared_upstream"), _log_fed(signals, line_count),
    )  # fmt: skip


def _numbers(frame: pl.DataFrame, name: str, otherwise: float = np.nan) -> Float:
    if name not in frame.columns:
        return np.full(frame.height, otherwise)
    numbers = frame[name].cast(pl.Float64).fill_null(otherwise).to_numpy()
    return np.where(np.isfinite(numbers), numbers, otherwise)


def _log_fed(signals: pl.DataFrame, line_count: int) -> Float:
    sets = sets_of_lines(line_count)
    share = np.tile([FED_SHARES[line_count][len(lines)] for lines in sets], (signals.height, 1))
    if line_count > 2:
        is_large = _numbers(signals, "pv_kw", 0.0) > LARGE_KW
        is_part = np.array([len(lines) < line_count for lines in sets])
        share[np.ix_(is_large, is_part)] *= LARGE_FACTOR
    share /= share.sum(axis=1, keepdims=True)
    declared = signals["pv_on"].to_list() if "pv_on" in signals.columns else [None] * signals.height
    known = {"+".join(LINES[line] for line in lines): index for index, lines in enumerate(sets)}
    known["both"] = len(sets) - 1
    for row, name in enumerate(declared):
        if name in known:
            share[row] *= 1 - DECLARED_SHARE
            share[row, known[name]] += DECLARED_SHARE
    return np.asarray(np.log(share))


def log_likelihoods(witnesses: Witnesses, order: Int, signs: Float, *, service: Service) -> dict[str, Float]:
    """Return the log likelihood of what each witness shows under each wiring, (n, wirings), by witness.

    Parameters
    ----------
    witnesses
        What n homes of one service show.
    order, signs
        The line of each channel's CT and its sign, (wirings, lines) each.
    service
        How many lines it has and at which angles.
    """
    degrees = np.array(service.degrees)
    apart = np.deg2rad(degrees[None, :] - degrees[order])  # of a channel's voltage against its CT's line
    return {
        "sun": _by_sun(witnesses, order, signs, apart, degrees),
        "nights": _by_nights(witnesses, signs, apart),
        "sag": _by_sag(witnesses, order, signs, apart),
        "steps": _by_steps(witnesses, signs, apart),
        "meter": _by_meter(witnesses, signs, apart),
    }


def production_by_line(lines: tuple[int, ...], degrees: Float) -> NDArray[np.complex128]:
    """Return the power that an inverter of 1 W on these lines feeds into each line [W + j var], (lines,)."""
    volts = np.exp(1j * np.deg2rad(degrees))
    power = np.zeros(degrees.size, dtype=np.complex128)
    if len(lines) == 2:  # between them, so off each line's own angle
        one, other = lines
        between = volts[one] - volts[other]
        power[one], power[other] = volts[one] / between, -volts[other] / between
    else:
        power[list(lines)] = 1 / len(lines)
    return power


def _by_sun(witnesses: Witnesses, order: Int, signs: Float, apart: Float, degrees: Float) -> Float:
    sets = sets_of_lines(degrees.size)
    is_upstream = witnesses.is_upstream
    by_set = []
    for lines in sets:
        shown = -signs * production_by_line(lines, degrees)[order] * np.exp(1j * apart)  # (wirings, lines)
        log = _gauss(
            witnesses.slope, witnesses.slope_se, shown.real, sd=SLOPE_SD, odd=SLOPE_ODD, width=SLOPE_RANGE
        )
        log = log + _gauss(
            witnesses.var, witnesses.var_se, shown.imag, sd=VAR_SD, odd=SLOPE_ODD, width=SLOPE_RANGE
        )
        by_set.append(log.sum(axis=2))
    seen = logsumexp(np.stack(by_set, axis=2) + witnesses.fed[:, None, :], axis=2)
    # Around the loads only no CT sees production; where the record doesn't say, either may be.
    none = np.zeros((1, degrees.size))
    blind = _gauss(witnesses.slope, witnesses.slope_se, none, sd=SLOPE_SD, odd=SLOPE_ODD, width=SLOPE_RANGE)
    blind = blind + _gauss(witnesses.var, witnesses.var_se, none, sd=VAR_SD, odd=SLOPE_ODD, width=SLOPE_RANGE)
    either = np.logaddexp(seen, blind.sum(axis=2))
    known = np.where((is_upstream == 0)[:, None], 0.0, seen)
    return np.where(np.isnan(is_upstream)[:, None], either, known)


def _gauss(
    value: Float, error: Float, expected: Float, *, sd: Float | float, odd: float, width: float
) -> Float:
    """Return the log density of values (n, k) around expected (wirings, k), with odd ones, (n, wirings, k)."""
    scale = np.sqrt(np.nan_to_num(error)[:, None, :] ** 2 + np.square(sd))
    z = (value[:, None, :] - expected[None, :, :]) / scale
    density = np.exp(-(z**2) / 2) / (scale * np.sqrt(2 * np.pi))
    log = np.log((1 - odd) * density + odd / width)
    return np.where(np.isnan(value)[:, None, :], 0.0, log)


def _by_nights(witnesses: Witnesses, signs: Float, apart: Float) -> Float:
    turn = np.round(np.cos(apart), 3)
    lag = np.sin(apart)  # a lagging load reads lower on a line ahead of its own
    moved = np.where(lag > 0, NIGHT_BELOW["behind"], NIGHT_BELOW["ahead"])
    below = np.where(turn >= 1, NIGHT_BELOW["own"], np.where(turn <= -1, NIGHT_BELOW["turned"], moved))
    below = np.where(signs > 0, below, 1 - below)
    level, share = witnesses.night_w, np.nan_to_num(witnesses.night_below, nan=0.5)
    is_below = np.where(level < 0, np.maximum(share, 0.5), np.minimum(share, 0.5))[:, None, :]
    log = is_below * np.log(below) + (1 - is_below) * np.log(1 - below)
    is_known = (np.abs(level) >= LEAST_NIGHT_W)[:, None, :]
    return np.asarray(np.where(is_known, log, 0.0).sum(axis=2))


def _by_sag(witnesses: Witnesses, order: Int, signs: Float, apart: Float) -> Float:
    total = np.zeros((len(witnesses.slope), len(order)))
    turn = np.sign(np.round(np.cos(apart), 3))
    for number, lines in enumerate(list(PAIR_INDICES.values())[: witnesses.sag.shape[1]]):
        for side, channel in enumerate(lines):
            on, other = order[:, channel], lines[1 - side]
            # V1 - V2 of the pair falls with the one line's current and rises with the other's; the third leaves it.
            moves = np.where(on == channel, 1, np.where(on == other, -1, 0))
            expected = (signs[:, channel] * moves * turn[:, channel]).astype(int)
            z = witnesses.sag[:, number, side]
            right, wrong = ndtr(z - SURE_Z), ndtr(-z - SURE_Z)
            seen = np.column_stack([right, 1 - right - wrong, wrong])
            log = np.log(seen @ np.array([SAG_SHARES[int(way)] for way in expected]).T)
            total += np.where(np.isnan(z)[:, None], 0.0, log)
    return total


def _by_steps(witnesses: Witnesses, signs: Float, apart: Float) -> Float:
    total = np.zeros((len(witnesses.slope), len(signs)))
    turn = signs * np.round(np.cos(apart), 3)
    for number, (one, other) in enumerate(list(PAIR_INDICES.values())[: witnesses.steps.shape[1]]):
        is_opposite = turn[:, one] * turn[:, other] < 0
        share = witnesses.opposite[:, number]
        odds = np.where(is_opposite, OPPOSITE_SHARES[1], OPPOSITE_SHARES[0])
        log = share[:, None] * np.log(odds) + (1 - share[:, None]) * np.log(1 - odds)
        ratio = np.log(np.abs(turn[:, other] / turn[:, one]))[:, None]
        by_size = _gauss(
            witnesses.log_ratio[:, [number]], witnesses.log_se[:, [number]], ratio,
            sd=STEP_SD, odd=STEP_ODD, width=STEP_RANGE,
        )[:, :, 0]  # fmt: skip
        is_known = (np.nan_to_num(witnesses.steps[:, number]) >= FEWEST_STEPS) & ~np.isnan(share)
        total += np.where(is_known[:, None], log + by_size, 0.0)
    return total


def _by_meter(witnesses: Witnesses, signs: Float, apart: Float) -> Float:
    turn = signs * np.round(np.cos(apart), 3)
    sd = np.where(np.abs(turn) < 1, METER_MOVED_SD, METER_SD)
    log = _gauss(witnesses.meter, witnesses.meter_se, 1 / turn, sd=sd, odd=METER_ODD, width=METER_RANGE)
    return np.asarray(log.sum(axis=2))
