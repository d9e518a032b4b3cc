"""Makes the classifier: fleets of several families through the night's own SQL, each held against its own normal.

Every home is seen twice: beside its whole fleet, and beside a few neighbours only, so that the trees also know what a
deviation is worth where the yardstick is thin. Each family is left out in turn, then a fleet of each: what the other
homes' trees say of these calibrates the likelihoods (slope and intercept): a user's fleet lies somewhere between a new
fleet of a known family and a family that nobody has seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import TrainingSettings
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.learning.calibration import ONE_OF_EACH, Said, calibrate
from pipeline.learning.labelled import Labelled
from pipeline.learning.lessons import LESSONS, labelled_fleet
from pipeline.probes import NAMES
from pipeline.probes.measured import Measured, all_quantities, measure
from pipeline.scoring.design import Design, alike, in_order
from pipeline.scoring.fit import fit_trees
from pipeline.scoring.innocent import A_FAULT, CAUSE_OF, NOTHING
from pipeline.scoring.model import Model, fault_columns
from pipeline.scoring.normal import Deviations, Normal, Spread, deviations, lean, observe, pool

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
FAULTY, RIGHT = "1", "0"
FEW = (1, 3, 8, 20, 60)  # homes of the small fleets that a home is also seen in
GROUPS = 12  # small fleets that a fleet is dealt into


@dataclass(frozen=True)
class Fleet:
    """A training fleet: its `family`, homes with truth, and their quantities."""

    family: str
    homes: Labelled
    measured: Measured


@dataclass(frozen=True)
class Lessons:
    """Homes as the trees see them: `alike`, and `in_order` from both ends, one row a home and look.

    `fault`, `leg`, `hard`, `family` and `weight` are (n,).
    """

    alike: Design
    in_order: tuple[Float, Float]
    fault: NDArray[np.str_]
    leg: NDArray[np.str_]
    hard: NDArray[np.str_]
    family: NDArray[np.str_]
    weight: Float

    def of(self, rows: Bool) -> Lessons:
        """Return these rows only."""
        one, other = self.in_order
        return Lessons(
            replace(self.alike, rows=self.alike.rows[rows]), (one[rows], other[rows]), self.fault[rows],
            self.leg[rows], self.hard[rows], self.family[rows], self.weight[rows],
        )  # fmt: skip


def train(
    catalogue: Mapping[str, Fault],
    settings: Settings,
    seed: int,
    scale: float = 1.0,
    workers: int = 1,
    tell: Callable[[str], None] = lambda line: None,
) -> Model:
    """Return the model of this seed; `scale` multiplies the number of homes of each lesson.

    The same seed, scale and version give the same weights on the same machine.
    """
    fleets = []
    for number, lesson in enumerate(LESSONS):
        tell(
            f"fleet {number + 1} of {len(LESSONS)}: {round(lesson.sites * scale)} homes ({lesson.family}), "
            f"{lesson.days} days at {lesson.minutes} minutes"
        )
        homes = labelled_fleet(lesson, seed * 1000 + number, scale, settings, workers)
        fleets.append(Fleet(lesson.family, homes, measure(homes.signals)))
    recipe = {
        "seed": seed,
        "scale": scale,
        "fleets": [{**asdict(lesson), "end": str(lesson.end)} for lesson in LESSONS],
        "training": settings.training.model_dump(),
    }
    return fit_model(fleets, catalogue, settings, seed, recipe, tell)


def fit_model(
    fleets: Sequence[Fleet],
    catalogue: Mapping[str, Fault],
    settings: Settings,
    seed: int,
    recipe: Mapping[str, Any],
    tell: Callable[[str], None] = lambda line: None,
) -> Model:
    """Return the model fitted to these fleets, calibrated on each family by the trees of the others."""
    own, rate = settings.training, settings.verdict.base_rate
    said: list[Said] = []
    for left_out, is_out in held_out_parts(fleets):
        tell(f"fitting without {left_out}")
        others = [fleet for fleet, out in zip(fleets, is_out, strict=True) if not out]
        shipped = shipped_normal(others, own, seed)
        trees, _ = fit_any(lessons(others, shipped, own, seed), own)
        unseen = lessons(
            [fleet for fleet, out in zip(fleets, is_out, strict=True) if out], shipped, own, seed + 1
        )
        log_odds = trees.terms(unseen.alike.rows, len(NAMES)).sum(axis=(1, 2)) + trees.start[0]
        said.append((log_odds, unseen.fault != SOUND, unseen.weight, left_out))
    shipped = shipped_normal(fleets, own, seed)
    whole = lessons(fleets, shipped, own, seed)
    tell(f"fitting {len(whole.fault)} looks at {sum(fleet.measured.size for fleet in fleets)} homes")
    any_fault, _ = fit_any(whole, own)
    slope, intercept, held_out = calibrate(said, rate)
    faulty = whole.of(whole.fault != SOUND)
    tell("fitting which fault, which leg, and what else it may be")
    which, faults = fit_trees(faulty.alike, faulty.fault, faulty.weight, own, own.which_rounds)
    leg = fit_leg(faulty, faults, own)
    named = zip(whole.fault.tolist(), whole.hard.tolist(), strict=True)
    cause = np.array([A_FAULT if fault != SOUND else CAUSE_OF.get(hard, NOTHING) for fault, hard in named])
    innocent, innocents = fit_trees(whole.alike, cause, _usual(cause), own, own.innocent_rounds)
    return Model(
        any_fault, which, leg, innocent, faults, innocents, whole.alike.names,
        in_order(fleets[0].measured, deviations(fleets[0].measured, shipped), False).names,
        shipped, slope, intercept, recipe={**recipe, "left_out": held_out},
    )  # fmt: skip


def held_out_parts(fleets: Sequence[Fleet]) -> list[tuple[str, list[bool]]]:
    """Return what is left out of a fit, and which fleets that are: every family, and a fleet of each family."""
    families = sorted({fleet.family for fleet in fleets})
    if len(families) < 2:
        return []
    places = [[at for at, fleet in enumerate(fleets) if fleet.family == family] for family in families]
    chosen = {own[len(own) // 2] for own in places}
    parts = [
        (family, [at in own for at in range(len(fleets))])
        for family, own in zip(families, places, strict=True)
    ]
    return [*parts, (ONE_OF_EACH, [at in chosen for at in range(len(fleets))])]


def fit_any(lesson: Lessons, own: TrainingSettings) -> tuple[Any, tuple[str, ...]]:
    """Return the trees that tell a fault from none."""
    labels = np.where(lesson.fault != SOUND, FAULTY, RIGHT)
    return fit_trees(
        lesson.alike, labels, lesson.weight, own, own.rounds, is_monotone=True, is_one_sided=True
    )


def fit_leg(faulty: Lessons, faults: tuple[str, ...], own: TrainingSettings) -> Any:
    """Return the trees that tell a fault's leg; each home is seen from both ends."""
    fault = np.array([faults.index(name) for name in faulty.fault.tolist()])
    chosen = fault_columns(fault, len(faults))
    this = np.concatenate(
        [
            np.where(faulty.leg == leg, "this", np.where(faulty.leg == other, "other", "both"))
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        ]
    )
    rows = np.concatenate([np.column_stack([half, chosen]) for half in faulty.in_order])
    probes = (*_order_probes(), *["register"] * len(faults))
    design = Design(rows, (), probes, (0,) * rows.shape[1])
    trees, _ = fit_trees(design, this, np.tile(faulty.weight, 2), own, own.leg_rounds)
    return trees


def _order_probes() -> tuple[str, ...]:
    found: list[str] = []
    for _, probe, quantity in all_quantities():
        looks = 2 if quantity.is_compared else 1
        found += [probe] * looks * (2 if quantity.shape == "leg" else 1)
    return tuple(found)


def shipped_normal(
    fleets: Sequence[Fleet], own: TrainingSettings, seed: int
) -> dict[tuple[str, str], Spread]:
    """Return how right homes scatter in these fleets and among them."""
    return pool(
        observe(fleet.measured, majority(fleet.homes.fault, own, np.random.default_rng([seed, at])))
        for at, fleet in enumerate(fleets)
    )


def majority(fault: NDArray[np.str_], own: TrainingSettings, rng: np.random.Generator) -> Bool:
    """Return which homes stand for a fleet as life has it: all sound ones, and of the faulty up to a drawn share."""
    is_faulty = fault != SOUND
    most = float(rng.uniform(0.0, own.faulty_in_normal)) * (~is_faulty).sum() / max(is_faulty.sum(), 1)
    kept: Bool = ~is_faulty | (rng.random(fault.size) < most)
    return kept


def lessons(fleets: Sequence[Fleet], shipped: Normal, own: TrainingSettings, seed: int) -> Lessons:
    """Return every home of the fleets twice: beside its whole fleet, and beside a few homes only."""
    rows, ones, others, told = [], [], [], []
    design: Design | None = None
    for at, fleet in enumerate(fleets):
        rng = np.random.default_rng([seed, 1, at])
        fault = fleet.homes.fault
        whole = lean(observe(fleet.measured, majority(fault, own, rng)), shipped)
        for moved in (
            deviations(fleet.measured, whole),
            beside_few(fleet.measured, fault, shipped, own, rng),
        ):
            design = alike(fleet.measured, moved)
            rows.append(design.rows)
            ones.append(in_order(fleet.measured, moved, False).rows)
            others.append(in_order(fleet.measured, moved, True).rows)
            told.append((fault, fleet.homes.leg, fleet.homes.hard, np.full(fault.size, fleet.family)))
    assert design is not None
    fault, leg, hard, family = (np.concatenate(parts) for parts in zip(*told, strict=True))
    return Lessons(
        replace(design, rows=np.concatenate(rows)), (np.concatenate(ones), np.concatenate(others)),
        fault, leg, hard, family, home_weights(fault, hard != "", own.hard_weight),
    )  # fmt: skip


def beside_few(
    measured: Measured,
    fault: NDArray[np.str_],
    shipped: Normal,
    own: TrainingSettings,
    rng: np.random.Generator,
) -> Deviations:
    """Return the deviations of homes dealt into small fleets of FEW homes, each by its own normal."""
    size = int(rng.choice(FEW))
    order = rng.permutation(fault.size)
    whole = deviations(measured, {})
    fewest = max(size, -(-fault.size // GROUPS))  # the rest of a group shares the normal of so few homes
    for first in range(0, fault.size, fewest):
        group = order[first : first + fewest]
        few = np.zeros(fault.size, dtype=np.bool_)
        few[group[:size]] = True
        normal = lean(observe(measured, few & majority(fault, own, rng)), shipped)
        part = deviations(measured.of(group), normal)
        for into, found in ((whole.spread, part.spread), (whole.outer, part.outer)):
            for key, values in found.items():
                into[key][group] = values
    return whole


def home_weights(fault: NDArray[np.str_], is_hard: Bool, hard_weight: float) -> Float:
    """Weigh homes so that sound counts as much as all faults together, and every fault alike.

    Sound homes with a hard negative are made more often than fleets have them; `hard_weight` takes that back.
    """
    weights = np.ones(fault.size)
    faults = sorted(set(fault.tolist()) - {SOUND})
    for name in faults:
        weights[fault == name] = fault.size / 2 / len(faults) / max((fault == name).sum(), 1)
    sound = np.where(fault == SOUND, np.where(is_hard, hard_weight, 1.0), 0.0)
    weights[fault == SOUND] = (sound * fault.size / 2 / max(sound.sum(), 1e-9))[fault == SOUND]
    return weights


def _usual(cause: NDArray[np.str_]) -> Float:
    """Weigh causes alike; nothing in particular, and a fault, as much each as all of them together."""
    weights = np.ones(cause.size)
    named = sorted(set(cause.tolist()) - {NOTHING, A_FAULT})
    for name in named:
        weights[cause == name] = cause.size / 3 / len(named) / (cause == name).sum()
    for name in (NOTHING, A_FAULT):
        weights[cause == name] = cause.size / 3 / max((cause == name).sum(), 1)
    return weights
