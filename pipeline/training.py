"""Makes the classifier: simulated fleets through the very same SQL, then fit, temper, measure.

Homes of some fleets only temper (a stretch and an offset a fault), so that the likelihoods are calibrated on
homes whose weights were not fitted to them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline import classifier, sound, warehouse
from pipeline.classifier import Model, fault_of
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
from pipeline.tempering import temper
from pipeline.window import look

Float = NDArray[np.float64]
FEWEST_OF_KIND = 25
SOUND_PIECES = tuple(piece.name for piece in sound.PIECES)


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
    Lesson(4800, 28, 15, date(2025, 6, 20)),
    Lesson(3600, 28, 15, date(2025, 12, 21)),
    Lesson(2000, 28, 5, date(2026, 3, 31)),
    Lesson(2800, 14, 15, date(2025, 9, 15)),
    Lesson(2400, 30, 60, date(2026, 5, 10)),
    Lesson(2000, 30, 30, date(2025, 10, 25)),
    Lesson(3600, 4, 15, date(2026, 7, 4)),
    Lesson(2800, 28, 15, date(2026, 4, 20), True),
    Lesson(1600, 10, 5, date(2025, 11, 5), True),
    Lesson(1600, 28, 60, date(2025, 8, 8), True),
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
    files = [path for day in stored for path in day.paths(store, "site_day")]
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
    values, labels, is_hard = stack(fitted, catalogue)
    weights = home_weights(labels, is_hard, own.hard_weight)
    model = classifier.fit(
        values, labels, weights, fitted[0].weighed.names, own.strength, recipe, SOUND_PIECES
    )
    tell("tempering")
    values, labels, is_hard = stack(tempered, catalogue)
    weights = home_weights(labels, is_hard, own.hard_weight)
    return temper(model, values, labels, weights, settings.verdict.base_rate, own.hold)


def stack(
    fleets: list[Labelled], catalogue: Mapping[str, Fault]
) -> tuple[Float, NDArray[np.str_], NDArray[np.bool_]]:
    """Return evidence (n, pieces), kinds (n,) and which homes are hard negatives (n,) of several fleets."""
    values = np.concatenate([fleet.weighed.values for fleet in fleets])
    labels = np.concatenate([kinds_of(fleet.truth, catalogue) for fleet in fleets])
    is_hard = np.concatenate([fleet.truth["hard_negative"].is_not_null().to_numpy() for fleet in fleets])
    return values, fold_rare(labels), is_hard


def kinds_of(truth: pl.DataFrame, catalogue: Mapping[str, Fault]) -> NDArray[np.str_]:
    """Return the kind of each home: its fault (or sound), position, one leg or both, and the room's own kinds.

    Kinds of one fault look unlike in the data (a turned clamp upstream answers the sun, one at the loads doesn't);
    an additive model can hold them apart but not take their mean.
    """
    kinds = []
    for row in truth.select("fault", "leg", "sees_pv_true", "severity").to_dicts():
        fault = row["fault"] or SOUND
        parts = [fault, "upstream" if row["sees_pv_true"] else "downstream"]
        if fault in catalogue:
            parts.append("both" if row["leg"] == "both" else "one")
            parts += [kind for kind in catalogue[fault].kinds if kind in (row["severity"] or "")]
        kinds.append("/".join(parts))
    return np.array(kinds)


def fold_rare(kinds: NDArray[np.str_]) -> NDArray[np.str_]:
    """Return the kinds with those of too few homes put together as one kind of their fault."""
    found, at, count = np.unique(kinds, return_inverse=True, return_counts=True)
    names = [kind if n >= FEWEST_OF_KIND else fault_of(kind) for kind, n in zip(found, count, strict=True)]
    return np.array(names)[at]


def home_weights(labels: NDArray[np.str_], is_hard: NDArray[np.bool_], hard_weight: float) -> Float:
    """Weigh homes so that sound counts as much as all faults together, and every fault alike.

    `labels` are kinds or plain names. Sound homes with a hard negative are made more often than fleets have them;
    `hard_weight` takes that back.
    """
    fault = np.array([fault_of(label) for label in labels])
    weights = np.ones(len(fault))
    faults = sorted(set(fault) - {SOUND})
    for name in faults:
        weights[fault == name] = len(fault) / 2 / len(faults) / max((fault == name).sum(), 1)
    sound = np.where(fault == SOUND, np.where(is_hard, hard_weight, 1.0), 0.0)
    weights[fault == SOUND] = (sound * len(fault) / 2 / max(sound.sum(), 1e-9))[fault == SOUND]
    return weights
