"""The measures over many fleets, each with its interval, what is wanted of it, and whether it is met."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import CONFIDENCE, Z, clopper_pearson
from pipeline.evaluation.crew_recovery.invented import Fleet
from pipeline.evaluation.crew_recovery.replicate import FUNNEL

Float = NDArray[np.float64]
COVERED = (0.93, 0.97)
DETECTED = 0.9
MOST_BIAS = 0.05  # of the fleet's rate
MOST_ERROR = 0.5  # of the raw rate's mean squared error
_LIMITS = dict(zip(("inner", "outer"), FUNNEL, strict=True))
WRONG_SIDE = 0.05  # of the crews that stand out, and of the fleets of crews all alike where any does


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


@dataclass(frozen=True)
class Results:
    """What the fleets of a scenario, drawn by `spec`, gave: measure -> a number a fleet."""

    scenario: str
    spec: Fleet
    values: dict[str, Float]

    def all(self) -> list[Measure]:
        """Return the scenario's measures against their targets."""
        if self.spec.trained is not None:
            return self._training()
        if self.spec.first_homes:
            return self._first_crew()
        return self._rates() + self._flags()

    def _rates(self) -> list[Measure]:
        labels = {
            "rate": "rate",
            "shrunk": "shrunk rate",
            "ratio": "observed / expected",
            "fair": "fair rate",
        }
        rows = [self._covered(key, f"coverage: {label}") for key, label in labels.items()]
        rows.append(self._covered_once("weighted", "coverage: fleet's rate by weighted visits"))
        # the ends are whole numbers, which of few faults hold more than they say
        rows.append(self._at_least("unseen", "coverage: faults at homes not visited", COVERED[0]))
        if not self.spec.is_listed:
            rows.append(self._at_least("wilson", "coverage: faults found / visits (Wilson)", COVERED[0]))
        rows += [self._unbiased(), self._mean("visits only", "bias of faults found / visits")]
        if self.spec.crew_sd:
            gain = float(self.values["fair error"].mean() / self.values["raw error"].mean())
            name, wanted = "squared error, fair / raw", f"<= {MOST_ERROR:g}"
            rows.append(Measure(self.scenario, name, gain, np.nan, np.nan, wanted, gain <= MOST_ERROR))
        return rows

    def _flags(self) -> list[Measure]:
        if self.spec.crew_sd == 0:
            rows = [self._at_most(key, f"outside the {1 - p:.1%} limits", p) for key, p in _LIMITS.items()]
            return [*rows, self._at_most("any", "fleets where any crew stands out", WRONG_SIDE)]
        standing, wrong = self.values["standing"], self.values["wrong side"]
        counts = np.array([wrong.sum()]), np.array([max(standing.sum(), 1.0)])
        low, high = (float(end[0]) for end in clopper_pearson(*counts))
        share = float(counts[0][0] / counts[1][0])
        name, wanted = "crews that stand out on the wrong side", f"<= {WRONG_SIDE:g}"
        return [
            self._mean("standing", "crews that stand out, a fleet"),
            Measure(self.scenario, name, share, low, high, wanted, low <= WRONG_SIDE),
        ]

    def _first_crew(self) -> list[Measure]:
        return [
            self._share("outside", "bad crew outside the funnel's 95 %", DETECTED),
            self._share("stands out", "bad crew stands out, many crews allowed for"),
            self._share("all inspected", "bad crew outside, were every home inspected"),
        ]

    def _training(self) -> list[Measure]:
        rows = [self._covered_once("training", "coverage: ratio after a training")]
        if self.spec.trained == 1:
            return [*rows, self._at_most("changed", "said to have changed where nothing did", 1 - CONFIDENCE)]
        return [*rows, self._share("fell", f"said to have fallen (odds times {self.spec.trained:g})")]

    def _mean(self, key: str, label: str) -> Measure:
        values = self.values[key]
        value, half = float(values.mean()), Z * float(values.std(ddof=1)) / np.sqrt(values.size)
        return Measure(self.scenario, label, value, value - half, value + half, "", None)

    def _share(self, key: str, label: str, least: float | None = None) -> Measure:
        values = self.values[key]
        low, high = clopper_pearson(np.array([values.sum()]), np.array([float(values.size)]))
        value = float(values.mean())
        wanted, is_met = ("", None) if least is None else (f">= {least:g}", value >= least)
        return Measure(self.scenario, label, value, float(low[0]), float(high[0]), wanted, is_met)

    def _covered(self, key: str, label: str) -> Measure:
        if key in ("shrunk", "fair") and self.spec.crew_sd == 0:
            # credible intervals don't close in on one point however alike crews are, and hold it nearly always
            return self._at_least(key, label, COVERED[0])
        mean = self._mean(key, label)
        wanted = f"{COVERED[0]:g} to {COVERED[1]:g}"
        return replace(mean, wanted=wanted, is_met=COVERED[0] <= mean.value <= COVERED[1])

    def _covered_once(self, key: str, label: str) -> Measure:
        """Return the coverage of one interval a fleet, which so few tell only roughly."""
        share = self._share(key, label)
        is_met = share.high >= COVERED[0] and share.low <= COVERED[1]
        return replace(share, wanted=f"{COVERED[0]:g} to {COVERED[1]:g}", is_met=is_met)

    def _at_least(self, key: str, label: str, least: float) -> Measure:
        mean = self._mean(key, label)
        return replace(mean, wanted=f">= {least:g}", is_met=mean.value >= least)

    def _unbiased(self) -> Measure:
        """Zero lies in the interval, or the bias is too small to matter: MOST_BIAS of the fleet's rate."""
        mean = self._mean("bias", "bias of the rates")
        most = MOST_BIAS * self.spec.rate
        is_met = mean.low <= 0 <= mean.high or max(-mean.low, mean.high) <= most
        return replace(mean, wanted=f"0, or within {most:g}", is_met=is_met)

    def _at_most(self, key: str, label: str, level: float) -> Measure:
        """Return false alarms at their nominal level: not above it but for the study's own doubt."""
        mean = self._mean(key, label)
        return replace(mean, wanted=f"<= {level:g}", is_met=mean.low <= level)
