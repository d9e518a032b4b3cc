"""The measures over many fleets, each with its interval, what is wanted of it, and whether it is met."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import CONFIDENCE, Z, clopper_pearson
from pipeline.evaluation.crew_recovery.replicate import FUNNEL
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario

Float = NDArray[np.float64]
COVERED = (0.93, 0.97)
DETECTED_SHARE = 0.9
MOST_BIAS = 0.05  # of the fleet's rate
MOST_ERROR = 0.5  # of the raw rate's mean squared error
WRONG_SIDE_SHARE = 0.05  # of the crews that stand out, and of the fleets of crews all alike where any does


@dataclass(frozen=True)
class Measure:
    """A measure of a scenario: mean over fleets with its 95 % interval, `wanted` in words and whether it is met."""

    scenario: str
    name: str
    value: float
    low: float
    high: float
    wanted: str
    is_met: bool | None


class Target(NamedTuple):
    """What is wanted, in words and as a condition of value, low and high."""

    wanted: str
    is_met: Callable[[float, float, float], bool | None]


ANY = Target("", lambda value, low, high: None)
COVERS = Target("{:g} to {:g}".format(*COVERED), lambda value, low, high: COVERED[0] <= value <= COVERED[1])
# Of one interval a fleet so few fleets tell the coverage only roughly.
MAY_COVER = Target(COVERS.wanted, lambda value, low, high: high >= COVERED[0] and low <= COVERED[1])
COVERS_LEAST = Target(f">= {COVERED[0]:g}", lambda value, low, high: value >= COVERED[0])


def _at_most(level: float) -> Target:
    """Return the target of false alarms at their nominal level: not above it but for the study's own doubt."""
    return Target(f"<= {level:g}", lambda value, low, high: low <= level)


def measure_scenario(name: str, scenario: Scenario, values: dict[str, Float]) -> list[Measure]:
    """Return the scenario's measures against their targets; `values` measure of `replicate` -> a number a fleet."""

    def measure(label: str, interval: tuple[float, float, float], target: Target = ANY) -> Measure:
        return Measure(name, label, *interval, target.wanted, target.is_met(*interval))

    def mean(key: str, label: str, target: Target = ANY) -> Measure:
        return measure(label, _mean_interval(values[key]), target)

    def share(key: str, label: str, target: Target = ANY) -> Measure:
        return measure(label, _share_interval(values[key].sum(), values[key].size), target)

    if scenario.trained is not None:
        covered = share("training", "coverage: ratio to other crews after a training", MAY_COVER)
        if scenario.trained == 1:
            label, target = "change reported where there was none", _at_most(1 - CONFIDENCE)
            return [covered, mean("changed", label, target)]
        return [covered, share("fell", f"fall reported (true odds times {scenario.trained:g})")]
    if scenario.first_homes:
        detected = Target(f">= {DETECTED_SHARE:g}", lambda value, low, high: value >= DETECTED_SHARE)
        return [
            share("outside", "bad crew outside the 95 % control limits", detected),
            share("stands out", "bad crew called worse, all crews compared"),
            share("all inspected", "bad crew outside, if every home were inspected"),
        ]
    # credible intervals don't close in on one point however alike crews are, and hold it nearly always
    credible = COVERS if scenario.crew_sd else COVERS_LEAST
    most = MOST_BIAS * scenario.rate
    unbiased = Target(
        f"0, or within {most:g}", lambda value, low, high: low <= 0 <= high or max(-low, high) <= most
    )
    rows = [
        mean("rate", "coverage: unadjusted rate", COVERS),
        mean("shrunk", "coverage: small-sample adjusted rate", credible),
        mean("ratio", "coverage: observed / expected", COVERS),
        mean("fair", "coverage: fair rate", credible),
        share("weighted", "coverage: fleet's rate from weighted visits", MAY_COVER),
        # the ends are whole numbers, which of few faults hold more than they say
        mean("unseen", "coverage: faults at homes not visited", COVERS_LEAST),
    ]
    if not scenario.is_listed:
        rows.append(mean("wilson", "coverage: faults found / visits (Wilson)", COVERS_LEAST))
    rows.append(mean("bias", "bias of the rates", unbiased))
    rows.append(mean("visits only", "bias of faults found / visits"))
    if scenario.crew_sd == 0:
        for key, level in zip(("inner", "outer"), FUNNEL, strict=True):
            rows.append(mean(key, f"outside the {100 * (1 - level):g} % control limits", _at_most(level)))
        return [
            *rows,
            mean("any", "fleets where any crew is called worse or better", _at_most(WRONG_SIDE_SHARE)),
        ]
    gain = float(values["fair error"].mean() / values["raw error"].mean())
    smaller = Target(f"<= {MOST_ERROR:g}", lambda value, low, high: value <= MOST_ERROR)
    wrong = _share_interval(values["wrong side"].sum(), max(values["standing"].sum(), 1.0))
    return [
        *rows,
        measure("squared error, fair / unadjusted rate", (gain, np.nan, np.nan), smaller),
        mean("standing", "crews called worse or better, per fleet"),
        measure("crews called worse that are better, or the reverse", wrong, _at_most(WRONG_SIDE_SHARE)),
    ]


def _mean_interval(values: Float) -> tuple[float, float, float]:
    value, half = float(values.mean()), Z * float(values.std(ddof=1)) / np.sqrt(values.size)
    return value, value - half, value + half


def _share_interval(part: float, whole: float) -> tuple[float, float, float]:
    low, high = clopper_pearson(np.array([part]), np.array([float(whole)]))
    return float(part / whole), float(low[0]), float(high[0])
