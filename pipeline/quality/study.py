"""Do the numbers about crews hold? The night's estimates on many invented fleets whose truth is known.

The target of a measure is stated beside it. Coverage is the share of crews whose interval holds the truth; the error of
a measure over replications is that of fleets, not of crews, since crews of a fleet share its fit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.quality.estimates import Estimates, estimate
from pipeline.quality.funnel import tails
from pipeline.quality.intervals import Z, clopper_pearson
from pipeline.quality.study_fleet import Drawn, Fleet, draw_fleet
from pipeline.setting_sections import CrewSettings

Float = NDArray[np.float64]
COVERED = (0.93, 0.97)
FUNNEL = (0.05, 0.002)  # nominal shares outside the inner and the outer limits
BAD, BAD_HOMES, DETECTED = 3.0, 60, 0.9
MOST_BIAS = 0.05  # of the fleet's rate
MOST_ERROR = 0.5  # of the raw rate's mean squared error
SCENARIOS = {
    "list-driven": Fleet(),
    "random": Fleet(is_listed=False),
    "overstated": Fleet(overstated=0.5),
    "all alike": Fleet(crew_sd=0.0),
    "bad 5 %": Fleet(rate=0.05, bad_crew=BAD, bad_homes=BAD_HOMES),
    "bad 8 %": Fleet(rate=0.08, bad_crew=BAD, bad_homes=BAD_HOMES),
    "bad 10 %": Fleet(rate=0.10, bad_crew=BAD, bad_homes=BAD_HOMES),
}


@dataclass(frozen=True)
class Replication:
    """What one fleet gave, by measure: a mean over its crews, or one number."""

    values: dict[str, float]


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


def study(
    replications: int, seed: int, own: CrewSettings, workers: int, tell: Callable[[str], None]
) -> list[Measure]:
    """Return the measures of every scenario; the same arguments give the same numbers, however many workers."""
    found: dict[str, list[Replication]] = {}
    tasks = [(name, seed, at, own) for name in SCENARIOS for at in range(replications)]
    for (name, *_), result in zip(tasks, _run(tasks, workers), strict=True):
        if name not in found:
            tell(f"  {name}")
        found.setdefault(name, []).append(result)
    return [
        measure
        for name, results in found.items()
        for measure in Results(
            name, {k: np.array([r.values[k] for r in results]) for k in results[0].values}
        ).all()
    ]


def _run(tasks: list[tuple[str, int, int, CrewSettings]], workers: int) -> Iterator[Replication]:
    if workers <= 1:
        yield from map(_replicate, tasks)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(_replicate, tasks, chunksize=10)


def _replicate(task: tuple[str, int, int, CrewSettings]) -> Replication:
    name, seed, at, own = task
    return replicate(SCENARIOS[name], np.random.default_rng([seed, at]), own)


def replicate(spec: Fleet, rng: np.random.Generator, own: CrewSettings) -> Replication:
    """Return what one fleet gives."""
    drawn = draw_fleet(spec, rng, own.most_weight)
    homes = drawn.homes
    size = np.bincount(homes.crew, minlength=homes.crews)
    found = estimate(homes, size >= own.min_judged, own)
    truth, ratio, fair = _truth(drawn, size)
    ranked = size >= own.min_judged
    p_value = found.p_value[ranked]
    values = {
        "rate": _covers(found.rate.low, found.rate.high, truth),
        "shrunk": _covers(found.shrunk.low, found.shrunk.high, truth),
        "ratio": _covers(found.ratio.low, found.ratio.high, ratio),
        "fair": _covers(found.fair.low, found.fair.high, fair),
        "bias": float((found.rate.value * size).sum() / size.sum() - drawn.chance.mean()),
        "fair error": float(np.mean((found.fair.mean - fair) ** 2)),
        "raw error": float(np.mean((found.rate.value - fair) ** 2)),
        "inner": float(np.mean(p_value < FUNNEL[0])),
        "outer": float(np.mean(p_value < FUNNEL[1])),
        "any flag": float(np.any(found.q_value[ranked] < own.false_discovery)),
        **_seen_only(drawn, truth),
        **_bad_crew(found, drawn, own),
    }
    return Replication(values)


def _truth(drawn: Drawn, size: NDArray[np.int64]) -> tuple[Float, Float, Float]:
    """Return each crew's true rate, observed / expected, and rate on the fleet's average installs."""
    at, count = drawn.homes.crew, drawn.homes.crews
    truth = np.bincount(at, drawn.chance, count) / size
    low, high = -8.0, 8.0
    for _ in range(60):  # the average crew: as many faults over the fleet as there are
        middle = (low + high) / 2
        is_low = special.expit(drawn.hardness + middle).sum() < drawn.chance.sum()
        low, high = (middle, high) if is_low else (low, middle)
    expected = np.bincount(at, special.expit(drawn.hardness + middle), count)
    fair = np.array([special.expit(drawn.hardness + effect).mean() for effect in drawn.effect])
    return truth, truth * size / expected, fair


def _covers(low: Float, high: Float, truth: Float) -> float:
    return float(np.mean((low <= truth) & (truth <= high)))


def _seen_only(drawn: Drawn, truth: Float) -> dict[str, float]:
    """Return how far faults found over visits are from the rate: what a table of visits would show."""
    homes = drawn.homes
    visits = np.bincount(homes.crew, homes.is_known, homes.crews)
    faults = np.bincount(homes.crew, homes.found, homes.crews)
    some = visits > 0
    return {"visits only": float(np.mean(faults[some] / visits[some] - truth[some]))}


def _bad_crew(found: Estimates, drawn: Drawn, own: CrewSettings) -> dict[str, float]:
    """Return whether the first crew is flagged as worse, and whether it would be had every home been inspected."""
    fleet, mine = found.fit.fleet_rate, drawn.homes.crew == 0
    is_worse = found.worth_faults[0] > found.worth[0] * fleet
    wrong, whole = drawn.is_wrong[mine].sum(), float(mine.sum())
    seen_all = tails(np.array([wrong]), np.array([whole]), float(drawn.is_wrong.mean()))[0]
    return {
        "funnel flags": float(is_worse and found.p_value[0] < own.limit_alpha),
        "many allowed for": float(is_worse and found.q_value[0] < own.false_discovery),
        "all inspected": float(wrong > whole * drawn.is_wrong.mean() and seen_all < own.limit_alpha),
    }


@dataclass(frozen=True)
class Results:
    """What the fleets of a scenario gave: measure -> a number a fleet."""

    scenario: str
    values: dict[str, Float]

    def all(self) -> list[Measure]:
        """Return the scenario's measures against their targets."""
        spec = SCENARIOS[self.scenario]
        if spec.bad_crew != 1:
            return [
                self._share("funnel flags", "bad crew outside the funnel's 95 %", DETECTED),
                self._share("many allowed for", "bad crew flagged, many crews allowed for"),
                self._share("all inspected", "bad crew outside, had every home been inspected"),
            ]
        labels = {
            "rate": "rate",
            "shrunk": "shrunk rate",
            "ratio": "observed / expected",
            "fair": "fair rate",
        }
        rows = [self._covered(key, f"coverage: {label}") for key, label in labels.items()]
        rows += [self._unbiased(), self._mean("visits only", "bias of faults found / visits")]
        if spec.crew_sd == 0:
            rows += [self._alarms(key, level) for key, level in zip(("inner", "outer"), FUNNEL, strict=True)]
            return [*rows, self._share("any flag", "fleets with any crew flagged")]
        gain = float(self.values["fair error"].mean() / self.values["raw error"].mean())
        name, wanted = "squared error, fair / raw", f"<= {MOST_ERROR:g}"
        return [*rows, Measure(self.scenario, name, gain, np.nan, np.nan, wanted, gain <= MOST_ERROR)]

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
        mean = self._mean(key, label)
        if key in ("shrunk", "fair") and SCENARIOS[self.scenario].crew_sd == 0:
            # credible intervals don't close in on one point however alike crews are, and hold it nearly always
            return replace(mean, wanted=f">= {COVERED[0]:g}", is_met=mean.value >= COVERED[0])
        wanted = f"{COVERED[0]:g} to {COVERED[1]:g}"
        return replace(mean, wanted=wanted, is_met=COVERED[0] <= mean.value <= COVERED[1])

    def _unbiased(self) -> Measure:
        """Zero lies in the interval, or the bias is too small to matter: MOST_BIAS of the fleet's rate."""
        mean = self._mean("bias", "bias of the rates")
        most = MOST_BIAS * SCENARIOS[self.scenario].rate
        is_met = mean.low <= 0 <= mean.high or max(-mean.low, mean.high) <= most
        return replace(mean, wanted=f"0, or within {most:g}", is_met=is_met)

    def _alarms(self, key: str, level: float) -> Measure:
        """False alarms at their nominal level: not above it but for the study's own doubt."""
        mean = self._mean(key, f"outside the {1 - level:.1%} limits")
        return replace(mean, wanted=f"{level:g}", is_met=mean.low <= level)
