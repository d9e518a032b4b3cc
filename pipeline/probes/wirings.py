"""Which CT may be on which line and which way round: every wiring's likelihood from all of a home's evidence together.

A home of n lines has n! x 2^n wirings: which line the CT of each channel is on, and its sign; of three lines 48. The CT
of channel i on line j with sign s reads S_i = s S_j V_i / V_j, a power turned by the angle between the lines: on lines
120 degrees apart a load on the wrong line reads minus half of itself, and what reactive power makes of it. Here are the
wirings, what stands before the data, and the sum; `wiring_evidence` says what each witness makes of each wiring.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from itertools import permutations, product
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import LINES, Service, leg_code, service_of
from pipeline.probes.wiring_evidence import Witnesses, log_likelihoods, read_witnesses

Float = NDArray[np.float64]
# What stands before the data, each against an install without it: most installs are right.
TURNED_SHARE: Final = 0.02  # of CTs face the wrong way
ALL_TURNED_SHARE: Final = (
    0.004  # of installs have all of them the wrong way: who takes the arrow wrong does it thrice
)
EXCHANGED_SHARE: Final = 0.006  # of installs have these two CTs on each other's line
ROTATED_SHARE: Final = 0.002  # of installs have each CT on the next line, this way round
MOST_LOG_ODDS: Final = 20.0
BLOCK: Final = 2048  # homes at a time: what is worked out for all wirings at once stays small


@dataclass(frozen=True)
class Wiring:
    """Which line's index the CT of each channel is on, `order`, and the sign of each, `signs`: 1 right, -1 turned."""

    order: tuple[int, ...]
    signs: tuple[int, ...]

    @property
    def code(self) -> str:
        """How tables write it: the line of the CT of channel 1, 2, 3 with its sign, "l2+ l1- l3+"."""
        return " ".join(
            f"{LINES[line]}{'+' if sign > 0 else '-'}"
            for line, sign in zip(self.order, self.signs, strict=True)
        )


@cache
def all_wirings(line_count: int) -> tuple[Wiring, ...]:
    """Return every wiring of so many lines, the right one first.

    >>> len(all_wirings(3)), all_wirings(2)[0].code
    (48, 'l1+ l2+')
    """
    return tuple(
        Wiring(order, signs)
        for order in permutations(range(line_count))
        for signs in product((1, -1), repeat=line_count)
    )


@cache
def log_prior(line_count: int) -> Float:
    """Return the log share of installs that each wiring has before the data, (wirings,)."""
    moved = {0: 1.0, 2: EXCHANGED_SHARE, 3: ROTATED_SHARE}
    weights = np.array(
        [
            moved[sum(line != channel for channel, line in enumerate(wiring.order))]
            * _turned_share(wiring.signs)
            for wiring in all_wirings(line_count)
        ]
    )
    return np.asarray(np.log(weights / weights.sum()))


def _turned_share(signs: tuple[int, ...]) -> float:
    each = float(np.prod([TURNED_SHARE if sign < 0 else 1 - TURNED_SHARE for sign in signs]))
    return max(each, ALL_TURNED_SHARE) if max(signs) < 0 else each


def wiring_shares(signals: pl.DataFrame, pairs: Mapping[str, pl.DataFrame], line_count: int) -> Float:
    """Return the likelihood of each wiring among all of them, (n, wirings), rows summing to 1.

    Parameters
    ----------
    signals
        Table site_signal of n homes of so many lines.
    pairs
        Their rows of each pair of lines ("12", "23", "31"; of two lines "12" only), as homes of two legs.
    line_count
        1 to 3.
    """
    shares = np.empty((signals.height, len(all_wirings(line_count))))
    services = signals["service"].to_list()
    by_service: dict[str, list[int]] = {}
    for row, name in enumerate(services):
        by_service.setdefault(service_of_lines(name, line_count).name, []).append(row)
    witnesses = read_witnesses(signals, pairs, line_count)
    for name, rows in by_service.items():
        for start in range(0, len(rows), BLOCK):
            block = np.array(rows[start : start + BLOCK])
            shares[block] = shares_of(witnesses.take(block), service_of(name))
    return shares


def shares_of(witnesses: Witnesses, service: Service) -> Float:
    """Return the likelihood of each wiring of homes of one service, (n, wirings), rows summing to 1."""
    wirings = all_wirings(service.line_count)
    order = np.array([wiring.order for wiring in wirings])
    signs = np.array([wiring.signs for wiring in wirings], dtype=np.float64)
    total = log_prior(service.line_count) + sum(
        log_likelihoods(witnesses, order, signs, service=service).values()
    )
    power = np.exp(total - total.max(axis=1, keepdims=True))
    return np.asarray(power / power.sum(axis=1, keepdims=True))


def service_of_lines(name: str | None, line_count: int) -> Service:
    """Return the service of this name, or one with so many lines where the record says another number of lines."""
    service = service_of(name)
    if service.line_count == line_count:
        return service
    return service_of({1: "230", 2: "120/240"}.get(line_count, "230/400"))


def wiring_columns(shares: Float, line_count: int) -> dict[str, Float]:
    """Return what the likelihoods of the wirings say in log odds, (n,) each.

    `wiring_right` is of the right one against the likeliest other; `wiring_turned_l1` that the CT of that channel is
    turned around, `wiring_moved_l1` that it is on another line. They lie within MOST_LOG_ODDS.
    """
    wirings = all_wirings(line_count)
    columns = {"wiring_right": _log_ratio(shares[:, 0], shares[:, 1:].max(axis=1))}
    for channel, line in enumerate(LINES[:line_count]):
        is_turned = np.array([wiring.signs[channel] < 0 for wiring in wirings])
        is_moved = np.array([wiring.order[channel] != channel for wiring in wirings])
        for name, is_so in (("turned", is_turned), ("moved", is_moved)):
            odds = _log_ratio(shares[:, is_so].sum(axis=1), shares[:, ~is_so].sum(axis=1))
            columns[f"wiring_{name}_{line}"] = odds
    return columns


def add_wirings(signals: pl.DataFrame, pairs: Mapping[str, pl.DataFrame]) -> pl.DataFrame:
    """Return homes of three lines with `wiring_columns`, and the likeliest wiring: `wiring_best`, `wiring_share`."""
    shares = wiring_shares(signals, pairs, 3)
    codes = np.array([wiring.code for wiring in all_wirings(3)], dtype=object)
    best = shares.argmax(axis=1)
    return signals.with_columns(
        *(pl.Series(name, values) for name, values in wiring_columns(shares, 3).items()),
        pl.Series("wiring_best", codes[best].tolist(), dtype=pl.String),
        pl.Series("wiring_share", shares[np.arange(len(best)), best]),
    )


def wiring_leg(code: str) -> str:
    """Return the leg that a wiring of three lines is wrong on: its moved CTs' channels, else the turned ones'.

    >>> wiring_leg("l3- l2- l1-"), wiring_leg("l1+ l2- l3+"), wiring_leg("l1+ l2+ l3+")
    ('l1+l3', 'l2', '')
    """
    parts = code.split()
    moved = [line for line, part in zip(LINES, parts, strict=True) if part[:-1] != line]
    turned = [line for line, part in zip(LINES, parts, strict=True) if part.endswith("-")]
    return leg_code(moved or turned, len(parts))


def _log_ratio(share: Float, against: Float) -> Float:
    least = np.exp(-2 * MOST_LOG_ODDS)
    ratio = np.log(np.maximum(share, least)) - np.log(np.maximum(against, least))
    return np.asarray(np.clip(ratio, -MOST_LOG_ODDS, MOST_LOG_ODDS))
