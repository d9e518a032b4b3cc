"""The classifier: from a home's deviations to calibrated likelihoods, every one a sum over probes.

Four heads of boosted trees. `any_fault`: is there a fault at all. `which`: which one, asked only of homes that may
have one. `leg`: on which leg, given the fault. `innocent`: what else it may be. A home's odds of a fault are those of
the fleet times exp of what its probes add; the first head is calibrated (slope and intercept) on fleets of families
that it was not fitted to.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.services import LINES, leg_codes, lines_of
from pipeline.probes import names_of
from pipeline.probes.line_rows import THREE, TWO
from pipeline.scoring.normal import Spread
from pipeline.scoring.trees import Trees

Float = NDArray[np.float64]
# What the leg head tells apart: of two legs where the fault is, of each of three lines whether it is there.
LEG_CLASSES = {TWO: ("both", "other", "this"), THREE: ("elsewhere", "this")}


@dataclass(frozen=True)
class Model:
    """A fitted classifier and how it was made.

    `faults`, `innocents` name the classes of `which` and `innocent`, sorted; `slope` and `intercept` [log odds]
    calibrate `any_fault`, `probe_slope` is single probes' (1 where not named: a fleet's own model moves these);
    `shipped_normal` is how right homes of many fleets scatter; `columns` and `leg_columns` name what the trees ask of,
    to refuse a model of other probes. `base_rate` and `fault_mix` (shares summing to 1) are those that a fleet's visits
    say, where a model of its own has them; `recipe` and `against_shipped` tell how it was made and how it compared.
    `line_count` is 2 for homes of up to two lines, or 3; `three_lines` the model of the same folder for these.
    """

    any_fault: Trees
    which: Trees
    leg: Trees
    innocent: Trees
    faults: tuple[str, ...]
    innocents: tuple[str, ...]
    columns: tuple[str, ...]
    leg_columns: tuple[str, ...]
    shipped_normal: Mapping[tuple[str, str], Spread]
    slope: float = 1.0
    intercept: float = 0.0
    probe_slope: Mapping[str, float] = field(default_factory=dict)
    recipe: Mapping[str, Any] = field(default_factory=dict)
    base_rate: float | None = None
    fault_mix: Mapping[str, float] = field(default_factory=dict)
    against_shipped: Mapping[str, Any] = field(default_factory=dict)
    line_count: int = TWO
    three_lines: Model | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the probes that it asks, in the order of its terms."""
        return names_of(self.line_count)

    def rate(self, otherwise: float) -> float:
        """Return the base rate of the model's own fleet, or `otherwise` where it has none."""
        return otherwise if self.base_rate is None else self.base_rate

    def mix(self) -> dict[str, float]:
        """Return each fault's share of all faults before the data; even unless the model has a mix."""
        return {name: self.fault_mix.get(name, 1 / len(self.faults)) for name in self.faults}

    @cached_property
    def model_id(self) -> str:
        """Short digest of trees, calibration and shipped normal."""
        digest = hashlib.blake2b(digest_size=6)
        for head in (self.any_fault, self.which, self.leg, self.innocent):
            for part in fields(head):
                digest.update(np.ascontiguousarray(getattr(head, part.name)).tobytes())
        normal = [(*key, *vars(spread).values()) for key, spread in sorted(self.shipped_normal.items())]
        content: list[Any] = [self.faults, self.innocents, self.columns, self.leg_columns, normal]
        content += [self.slope, self.intercept, dict(self.probe_slope), self.base_rate, dict(self.fault_mix)]
        digest.update(json.dumps(content, sort_keys=True).encode())
        return digest.hexdigest()

    def probe_terms(self, rows: Float) -> Float:
        """Return what each probe adds to the log odds of a fault, (n, probes), calibrated, of symmetric rows."""
        slopes = np.array([self.slope * self.probe_slope.get(name, 1.0) for name in self.names])
        return np.asarray(self.any_fault.terms(rows, len(self.names))[:, 0, :] * slopes)

    @property
    def base_log_odds(self) -> float:
        """What comes to the log odds of every home besides the fleet's own odds."""
        return float(self.intercept + self.slope * self.any_fault.start[0])

    def log_odds(self, rows: Float) -> Float:
        """Return the log odds of a fault against the fleet's own odds, (n,)."""
        return np.asarray(self.probe_terms(rows).sum(axis=1) + self.base_log_odds)

    def which_terms(self, rows: Float) -> Float:
        """Return what each probe adds to each fault's score [log], (n, faults, probes)."""
        return self.which.terms(rows, len(self.names))

    def fault_shares(self, terms: Float) -> Float:
        """Return each fault's share of the likelihood of any, (n, faults), rows summing to 1, from `which_terms`."""
        mix = np.array([max(share, 1e-6) for share in self.mix().values()])
        return softmax(terms.sum(axis=2) + self.which.start + np.log(mix * mix.size))

    def leg_shares(self, rows: Sequence[Float], fault: NDArray[np.int64]) -> Float:
        """Return the likelihoods of `services.leg_codes` of its number of lines, (n, legs), given this fault.

        Of two legs that is leg 1, leg 2 and both. Of three lines those of every set of lines, each line being asked by
        itself; they don't sum to 1.

        Parameters
        ----------
        rows
            Of `leg_designs`, from each end, (n, columns) each.
        fault
            The index in `faults` of each home's, (n,).
        """
        if self.line_count == THREE:
            return self._line_set_shares(rows, fault)
        both, other, this = range(len(LEG_CLASSES[TWO]))
        total = np.zeros((len(fault), 3))
        for half, order in zip(rows, ([this, other, both], [other, this, both]), strict=True):
            columns = np.column_stack([half, fault_columns(fault, len(self.faults))])
            share = softmax(self.leg.terms(columns, len(self.names)).sum(axis=2) + self.leg.start)
            total += share[:, order] / len(rows)
        return total

    def _line_set_shares(self, rows: Sequence[Float], fault: NDArray[np.int64]) -> Float:
        chosen = fault_columns(fault, len(self.faults))
        is_there = np.column_stack(
            [
                softmax(
                    self.leg.terms(np.column_stack([line, chosen]), len(self.names)).sum(axis=2)
                    + self.leg.start
                )[:, 1]
                for line in rows
            ]
        )
        codes = leg_codes(THREE)
        has_line = np.array([[line in lines_of(code, THREE) for line in LINES] for code in codes])
        each = np.where(has_line[None], is_there[:, None, :], 1 - is_there[:, None, :])
        return np.asarray(each.prod(axis=2))

    def innocent_shares(self, rows: Float) -> Float:
        """Return the likelihood of each of `innocents`, (n, innocents), among themselves."""
        return softmax(self.innocent.terms(rows, len(self.names)).sum(axis=2) + self.innocent.start)


def fault_columns(fault: NDArray[np.int64], faults: int) -> Float:
    """Return which fault each home has as columns of zeros and ones, (n, faults)."""
    return np.asarray(fault[:, None] == np.arange(faults), dtype=np.float64)


def softmax(score: Float) -> Float:
    """Return exp(score) over its sum in each row; a row's digits are its own, whoever stands beside it."""
    power = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(power / power.sum(axis=1, keepdims=True))
