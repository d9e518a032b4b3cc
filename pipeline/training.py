"""Makes the classifier: simulated fleets through the very same SQL, then fit, temper, measure.

Homes of some fleets only temper (a stretch and an offset a fault), so that the likelihoods are calibrated on
homes whose weights were not fitted to them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline import classifier, warehouse
from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.evidence import Weighed, weigh
from pipeline.fault import Fault
from pipeline.lake import open_lake
from pipeline.refresh import refresh_days
from pipeline.registers import read_registers
from pipeline.settings import Settings
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.store import Store
from pipeline.window import look

Float = NDArray[np.float64]


@dataclass(frozen=True)
class Lesson:
    """A simulated fleet to learn from; `is_for_tempering` keeps it out of the fit."""

    sites: int
    days: int
    minutes: int
    end: date
    is_for_tempering: bool = False


# Interval lengths, seasons and lengths of history that a fleet may have.
LESSONS = (
    Lesson(2400, 28, 15, date(2025, 6, 20)),
    Lesson(1800, 28, 15, date(2025, 12, 21)),
    Lesson(1000, 28, 5, date(2026, 3, 31)),
    Lesson(1400, 14, 15, date(2025, 9, 15)),
    Lesson(1200, 30, 60, date(2026, 5, 10)),
    Lesson(1000, 30, 30, date(2025, 10, 25)),
    Lesson(1800, 4, 15, date(2026, 7, 4)),
    Lesson(1400, 28, 15, date(2026, 4, 20), True),
    Lesson(800, 10, 5, date(2025, 11, 5), True),
    Lesson(800, 28, 60, date(2025, 8, 8), True),
)


@dataclass(frozen=True)
class Labelled:
    """Homes of a fleet with their truth (fault, leg, hard_negative), one row a home; `sites` is the register."""

    sites: pl.DataFrame
    signals: pl.DataFrame
    weighed: Weighed
    truth: pl.DataFrame


def labelled_fleet(
    spec: FleetSpec, catalogue: Mapping[str, Fault], settings: Settings, workers: int = 1
) -> Labelled:
    """Simulate a fleet, run it through the pipeline's own steps and return its homes with the truth."""
    with TemporaryDirectory(prefix="nightclamp-") as folder:
        root = Path(folder)
        write_lake(spec, root / "lake", workers=workers)
        return labelled_lake(root / "lake", root, spec.days, catalogue, settings)


def labelled_lake(
    lake_root: Path, root: Path, window_days: int, catalogue: Mapping[str, Fault], settings: Settings
) -> Labelled:
    """Return the homes of a lake that has a truth.csv beside it (columns site_id, fault, leg, hard_negative)."""
    lake = open_lake(lake_root)
    days = lake.days()[-window_days:]
    registers = read_registers(lake, days[-1])
    workdir = root / "work"
    workdir.mkdir(exist_ok=True)
    con = warehouse.connect(workdir, settings.engine)
    store = Store(root / "store")
    stored = refresh_days(con, lake, days, registers, store, settings, workdir)
    files = [day.path(store, "site_day") for day in stored]
    view = look(con, files, registers.sites, registers.visits, days[-1], window_days, settings)
    con.close()
    truth = pl.read_csv(lake_root / "truth.csv", infer_schema_length=None)
    matched = view.signals.select("site_id").join(truth, on="site_id", how="left", maintain_order="left")
    return Labelled(registers.sites, view.signals, weigh(view.signals, catalogue), matched)


def train(
    catalogue: Mapping[str, Fault],
    settings: Settings,
    seed: int,
    scale: float = 1.0,
    workers: int = 1,
    tell: Callable[[str], None] = lambda line: None,
) -> Model:
    """Return the model of this seed; `scale` multiplies the number of homes of each lesson.

    The same seed, scale and version give the same weights.
    """
    fitted: list[Labelled] = []
    tempered: list[Labelled] = []
    for number, lesson in enumerate(LESSONS):
        spec = FleetSpec(
            sites=max(60, round(lesson.sites * scale)),
            days=lesson.days,
            minutes=lesson.minutes,
            seed=seed * 1000 + number,
            end=lesson.end,
            fault_share=settings.training.fault_share,
            hard_share=settings.training.hard_share,
        )
        tell(
            f"fleet {number + 1} of {len(LESSONS)}: {spec.sites} homes, {spec.days} days at {spec.minutes} minutes"
        )
        (tempered if lesson.is_for_tempering else fitted).append(
            labelled_fleet(spec, catalogue, settings, workers)
        )
    recipe = {
        "seed": seed,
        "scale": scale,
        "fleets": [{**asdict(lesson), "end": str(lesson.end)} for lesson in LESSONS],
        "training": settings.training.model_dump(),
    }
    tell("fitting")
    own = settings.training
    values, labels, is_hard = stack(fitted)
    weights = home_weights(labels, is_hard, own.hard_weight)
    model = classifier.fit(values, labels, weights, fitted[0].weighed.names, own.strength, recipe)
    tell("tempering")
    values, labels, is_hard = stack(tempered)
    weights = home_weights(labels, is_hard, own.hard_weight)
    return temper(model, values, labels, weights, settings.verdict.base_rate, own.hold)


def stack(fleets: list[Labelled]) -> tuple[Float, NDArray[np.str_], NDArray[np.bool_]]:
    """Return evidence (n, pieces), labels (n,) and which homes are hard negatives (n,) of several fleets."""
    values = np.concatenate([fleet.weighed.values for fleet in fleets])
    labels = np.concatenate(
        [fleet.truth["fault"].fill_null(SOUND).to_numpy().astype(str) for fleet in fleets]
    )
    is_hard = np.concatenate([fleet.truth["hard_negative"].is_not_null().to_numpy() for fleet in fleets])
    return values, labels, is_hard


def home_weights(labels: NDArray[np.str_], is_hard: NDArray[np.bool_], hard_weight: float) -> Float:
    """Weigh homes so that sound counts as much as all faults together, and every fault alike.

    Sound homes with a hard negative are made more often than fleets have them; `hard_weight` takes that back.
    """
    weights = np.ones(len(labels))
    faults = sorted(set(labels) - {SOUND})
    for name in faults:
        weights[labels == name] = len(labels) / 2 / len(faults) / max((labels == name).sum(), 1)
    sound = np.where(labels == SOUND, np.where(is_hard, hard_weight, 1.0), 0.0)
    weights[labels == SOUND] = (sound * len(labels) / 2 / max(sound.sum(), 1e-9))[labels == SOUND]
    return weights


def temper(
    model: Model, values: Float, labels: NDArray[np.str_], weights: Float, base_rate: float, hold: float
) -> Model:
    """Return the model with a stretch and an offset a fault that fit held-out homes best (log loss at the base rate).

    `weights` are those of `home_weights`: half sound, half faults; `hold` is the penalty that keeps stretches
    near 1 and offsets near 0 where the held-out homes say little.
    """
    is_sound = labels == SOUND
    weight = weights / weights.sum() * 2 * np.where(is_sound, 1 - base_rate, base_rate)
    columns = np.array([model.classes.index(label) for label in labels])
    faults = [name for name in model.classes if name != SOUND]
    at = np.array([model.classes.index(name) for name in faults])
    evidence = classifier.encode(values) @ model.weights.T
    plain = model.prior(base_rate)
    own = model.estimator.intercept_ - model.estimator.intercept_[model.classes.index(SOUND)]

    def loss(point: Float) -> float:
        log_stretch, offset = np.split(point, 2)
        score = evidence + plain
        score[:, at] += (np.exp(log_stretch) - 1) * (evidence[:, at] + own[at]) + offset
        top = score.max(axis=1)
        log_total = top + np.log(np.exp(score - top[:, None]).sum(axis=1))
        fit: Float = weight * (log_total - score[np.arange(len(columns)), columns])
        return float(fit.sum() + hold * (log_stretch**2 + offset**2 / 4).sum())

    best = minimize(
        loss,
        np.zeros(2 * len(faults)),
        method="L-BFGS-B",
        bounds=[(-0.7, 0.9)] * len(faults) + [(-3, 3)] * len(faults),
    )
    log_stretch, offset = np.split(best.x, 2)
    return replace(
        model,
        stretch={name: round(float(np.exp(x)), 4) for name, x in zip(faults, log_stretch, strict=True)},
        offset={name: round(float(x), 4) for name, x in zip(faults, offset, strict=True)},
    )
