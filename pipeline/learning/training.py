"""Makes the classifier: fleets of several families through the night's own SQL, each compared with its own normal.

Every home is seen twice: in its whole fleet, and in a fleet of a few homes only, so that the trees also know what a
deviation is worth where the normal rests on little. Each family is left out in turn, then a fleet of each: what the
other homes' trees say of these calibrates the likelihoods (slope and intercept): a user's fleet lies somewhere between
a new fleet of a known family and a family that nobody has seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.services import LINES, lines_of
from pipeline.core.setting_sections import TrainingSettings
from pipeline.core.settings import Settings
from pipeline.learning.calibration import ONE_OF_EACH, HeldOut, calibrate
from pipeline.learning.labelled import Labelled
from pipeline.probes import names_of
from pipeline.probes.line_rows import THREE
from pipeline.probes.measured import Measured
from pipeline.scoring.design import Design, leg_designs, symmetric_design
from pipeline.scoring.fit import fit_trees
from pipeline.scoring.innocent import A_FAULT, CAUSE_OF, NOTHING
from pipeline.scoring.model import Model, fault_columns
from pipeline.scoring.normal import (
    Deviations,
    Normal,
    Spread,
    measure_deviations,
    observe_spreads,
    pool_spreads,
    shrink_spreads,
)  # fmt: skip
from pipeline.scoring.trees import Trees

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
FAULTY, RIGHT = "1", "0"
SMALL_FLEETS = (1, 3, 8, 20, 60)  # homes of the small fleets that a home is also seen in
GROUPS = 12  # small fleets that a fleet is split into


@dataclass(frozen=True)
class Fleet:
    """A training fleet: its `family`, homes with truth, and their quantities."""

    family: str
    homes: Labelled
    measured: Measured


@dataclass(frozen=True)
class TrainingRows:
    """What the trees are fitted to: a `symmetric` design and the leg designs from each end, two rows a home.

    `fault`, `leg`, `hard_negative` and `weight` are (n,).
    """

    symmetric: Design
    by_leg: tuple[Design, ...]
    fault: NDArray[np.str_]
    leg: NDArray[np.str_]
    hard_negative: NDArray[np.str_]
    weight: Float

    def take(self, rows: Bool) -> TrainingRows:
        """Return these rows only."""
        return TrainingRows(
            replace(self.symmetric, rows=self.symmetric.rows[rows]),
            tuple(replace(design, rows=design.rows[rows]) for design in self.by_leg),
            self.fault[rows], self.leg[rows], self.hard_negative[rows], self.weight[rows],
        )  # fmt: skip


def fit_model(
    fleets: Sequence[Fleet],
    settings: Settings,
    seed: int,
    *,
    recipe: Mapping[str, Any],
    tell: Callable[[str], None] = lambda line: None,
) -> Model:
    """Return the model fitted to these fleets, calibrated on each family by the trees of the others.

    Parameters
    ----------
    fleets
        Homes with their truth, which all have three lines or all fewer.
    settings, seed
        Of the night, [training] above all; of what is drawn from the homes.
    recipe
        Goes on the model's card, with how each family did when it was left out.
    tell
        Called with lines of progress.
    """
    training, rate = settings.training, settings.verdict.base_rate
    line_count = fleets[0].measured.line_count
    probes = len(names_of(line_count))
    held_out: list[HeldOut] = []
    for left_out, is_out in held_out_parts(fleets):
        tell(f"fitting without {left_out}")
        others = [fleet for fleet, out in zip(fleets, is_out, strict=True) if not out]
        shipped = pool_normals(others, training, seed)
        trees = _fit_any_fault(training_rows(others, shipped, training, seed=seed), training)
        unseen = [fleet for fleet, out in zip(fleets, is_out, strict=True) if out]
        rows = training_rows(unseen, shipped, training, seed=seed + 1)
        log_odds = trees.terms(rows.symmetric.rows, probes).sum(axis=(1, 2)) + trees.start[0]
        held_out.append((log_odds, rows.fault != SOUND, rows.weight, left_out))
    shipped = pool_normals(fleets, training, seed)
    rows = training_rows(fleets, shipped, training, seed=seed)
    tell(f"fitting {len(rows.fault)} looks at {sum(fleet.measured.size for fleet in fleets)} homes")
    any_fault = _fit_any_fault(rows, training)
    slope, intercept, scores = calibrate(held_out, rate)
    faulty = rows.take(rows.fault != SOUND)
    tell("fitting which fault, which leg, and what else it may be")
    which, faults = fit_trees(
        faulty.symmetric, faulty.fault, faulty.weight, settings=training, rounds=training.which_rounds
    )
    leg = _fit_leg(faulty, faults, training)
    causes = np.array([CAUSE_OF.get(name, NOTHING) for name in rows.hard_negative.tolist()])
    causes = np.where(rows.fault != SOUND, A_FAULT, causes)
    named = sorted(set(causes.tolist()) - {NOTHING, A_FAULT})
    cause_weights = _even_weights(causes, [named, [NOTHING], [A_FAULT]])
    innocent, innocents = fit_trees(
        rows.symmetric, causes, cause_weights, settings=training, rounds=training.innocent_rounds
    )
    return Model(
        any_fault, which, leg, innocent, faults, innocents, rows.symmetric.names, rows.by_leg[0].names,
        shipped, slope, intercept, recipe={**recipe, "left_out": scores}, line_count=line_count,
    )  # fmt: skip


def held_out_parts(fleets: Sequence[Fleet]) -> list[tuple[str, list[bool]]]:
    """Return what is left out of a fit, and which fleets that are: every family, and a fleet of each family."""
    families = np.array([fleet.family for fleet in fleets])
    parts = [(str(family), families == family) for family in np.unique(families)]
    if len(parts) < 2:
        return []
    is_middle = np.zeros(len(fleets), dtype=np.bool_)
    for _, is_family in parts:
        members = np.flatnonzero(is_family)
        is_middle[members[members.size // 2]] = True
    return [(name, is_out.tolist()) for name, is_out in (*parts, (ONE_OF_EACH, is_middle))]


def _fit_any_fault(rows: TrainingRows, settings: TrainingSettings) -> Trees:
    """Return the trees that tell a fault from none."""
    labels = np.where(rows.fault != SOUND, FAULTY, RIGHT)
    return fit_trees(
        rows.symmetric, labels, rows.weight,
        settings=settings, rounds=settings.rounds, is_monotone=True, is_one_sided=True,
    )[0]  # fmt: skip


def _fit_leg(faulty: TrainingRows, faults: tuple[str, ...], settings: TrainingSettings) -> Trees:
    """Return the trees that tell a fault's leg; each home is seen from each end, or of three lines from each line."""
    chosen = fault_columns(np.array([faults.index(name) for name in faulty.fault.tolist()]), len(faults))
    rows = np.concatenate([np.column_stack([design.rows, chosen]) for design in faulty.by_leg])
    design = Design(rows, (), (*faulty.by_leg[0].probes, *["register"] * len(faults)), (0,) * rows.shape[1])
    labels = np.concatenate(_leg_labels(faulty.leg, len(faulty.by_leg)))
    weights = np.tile(faulty.weight, len(faulty.by_leg))
    return fit_trees(design, labels, weights, settings=settings, rounds=settings.leg_rounds)[0]


def _leg_labels(leg: NDArray[np.str_], ends: int) -> list[NDArray[np.str_]]:
    """Return where each home's fault is from each end: "this", "other", "both"; of three lines "this", "elsewhere"."""
    if ends == THREE:
        lines = [lines_of(code, THREE) for code in leg.tolist()]
        return [np.array(["this" if line in on else "elsewhere" for on in lines]) for line in LINES]
    return [
        np.where(leg == this, "this", np.where(leg == other, "other", "both"))
        for this, other in (("l1", "l2"), ("l2", "l1"))
    ]


def pool_normals(
    fleets: Sequence[Fleet], settings: TrainingSettings, seed: int
) -> dict[tuple[str, str], Spread]:
    """Return how right homes scatter in these fleets and among them."""
    return pool_spreads(
        observe_spreads(
            fleet.measured,
            draw_normal_homes(fleet.homes.fault, settings, np.random.default_rng([seed, number])),
        )
        for number, fleet in enumerate(fleets)
    )


def draw_normal_homes(fault: NDArray[np.str_], settings: TrainingSettings, rng: np.random.Generator) -> Bool:
    """Return which homes stand for a fleet as life has it: all sound ones, and of the faulty up to a drawn share."""
    is_faulty = fault != SOUND
    most = float(rng.uniform(0.0, settings.faulty_in_normal)) * (~is_faulty).sum() / max(is_faulty.sum(), 1)
    return np.asarray(~is_faulty | (rng.random(fault.size) < most))


def training_rows(
    fleets: Sequence[Fleet], shipped: Normal, settings: TrainingSettings, *, seed: int
) -> TrainingRows:
    """Return every home of the fleets twice: in its whole fleet, and in a fleet of a few homes only.

    Parameters
    ----------
    fleets, shipped
        Homes with their truth; how right homes of many fleets scatter.
    settings, seed
        [training]; of what is drawn from the homes.
    """
    designs, by_leg, homes = [], [], []
    for number, fleet in enumerate(fleets):
        rng = np.random.default_rng([seed, 1, number])
        fault = fleet.homes.fault
        seen = observe_spreads(fleet.measured, draw_normal_homes(fault, settings, rng))
        whole = measure_deviations(fleet.measured, shrink_spreads(seen, shipped))
        few = deviations_in_small_fleets(fleet.measured, fault, shipped, settings=settings, rng=rng)
        for deviations in (whole, few):
            designs.append(symmetric_design(fleet.measured, deviations))
            by_leg.append(leg_designs(fleet.measured, deviations))
            homes.append((fault, fleet.homes.leg, fleet.homes.hard_negative))
    fault, leg, hard_negative = (np.concatenate(parts) for parts in zip(*homes, strict=True))
    design = replace(designs[0], rows=np.concatenate([design.rows for design in designs]))
    weights = home_weights(fault, hard_negative != "", settings.hard_weight)
    ends = tuple(
        replace(parts[0], rows=np.concatenate([part.rows for part in parts]))
        for parts in zip(*by_leg, strict=True)
    )
    return TrainingRows(design, ends, fault, leg, hard_negative, weights)


def deviations_in_small_fleets(
    measured: Measured,
    fault: NDArray[np.str_],
    shipped: Normal,
    *,
    settings: TrainingSettings,
    rng: np.random.Generator,
) -> Deviations:
    """Return the deviations of homes split into small fleets, each by its own normal.

    Parameters
    ----------
    measured, fault
        Quantities and truth of n homes.
    shipped
        How right homes of many fleets scatter.
    settings, rng
        [training]; draws the size, one of SMALL_FLEETS, and who is in which fleet.
    """
    size = int(rng.choice(SMALL_FLEETS))
    order = rng.permutation(fault.size)
    deviations = measure_deviations(measured, {})
    step = max(size, -(-fault.size // GROUPS))  # the others of a group share the normal of so few homes
    for first in range(0, fault.size, step):
        group = order[first : first + step]
        is_normal = np.zeros(fault.size, dtype=np.bool_)
        is_normal[group[:size]] = True
        seen = observe_spreads(measured, is_normal & draw_normal_homes(fault, settings, rng))
        part = measure_deviations(measured.take(group), shrink_spreads(seen, shipped))
        for whole, of_group in ((deviations.spread, part.spread), (deviations.outer, part.outer)):
            for key, values in of_group.items():
                whole[key][group] = values
    return deviations


def home_weights(fault: NDArray[np.str_], is_hard: Bool, hard_weight: float) -> Float:
    """Return weights by which sound counts as much as all faults together, and every fault alike, (n,).

    Sound homes with a hard negative are made more often than fleets have them; `hard_weight` takes that back.
    """
    weights = _even_weights(fault, [[SOUND], sorted(set(fault.tolist()) - {SOUND})])
    sound = np.where(fault == SOUND, np.where(is_hard, hard_weight, 1.0), 0.0)
    weights[fault == SOUND] = (sound * fault.size / 2 / max(sound.sum(), 1e-9))[fault == SOUND]
    return weights


def _even_weights(labels: NDArray[np.str_], groups: Sequence[Sequence[str]]) -> Float:
    """Return weights by which groups of labels count alike, and each label as much as any of its group, (n,)."""
    weights = np.ones(labels.size)
    for group in groups:
        for name in group:
            weights[labels == name] = labels.size / len(groups) / len(group) / max((labels == name).sum(), 1)
    return weights
