"""The whole validation: builds fleets that no training has seen, scores them, measures, compares with the targets."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.evaluation.study_pages import Study
from pipeline.evaluation.validation.calibration import reliability_table
from pipeline.evaluation.validation.fleets import FAULT_SHARE, HARD_SHARE, Fleet, FleetBuilder, Fleets
from pipeline.evaluation.validation.model_training import describe_training, refuse_training_seeds
from pipeline.evaluation.validation.nights import NIGHTS
from pipeline.evaluation.validation.real_homes import STARTS
from pipeline.evaluation.validation.results import build_tables
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.model_file import load_model
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.spec import FAMILIES, Family, UnlikeSpec

DAYS, QUICK_DAYS = 30, 14
SUMMER, WINTER = date(2026, 6, 14), date(2026, 1, 21)
OTHER_SIZE, QUICK_SIZE = 0.5, 0.1  # homes, against the first fleet's
FEWEST = 60  # homes of a fleet
SMALL_FLEETS, QUICK_SMALL_FLEETS = 20, 5  # out of each family's summer fleet
CLEAN: tuple[Family, ...] = ("weather", "measured")  # families with a fleet without a fault


@dataclass(frozen=True)
class ValidationRequest:
    """What to validate: `sites` homes of the first fleet, `seed`, with `visits` (None: as many as faulty).

    `model` is a folder or None for the shipped one; `is_quick` takes a tenth of the homes, half of the days, fewer
    small fleets and one of the real starts; `workers` processes build the fleets; `keep` is a folder in which fleets
    stay, and are taken from where they are there already (None: a folder for the time).
    """

    sites: int = 2000
    seed: int = 11
    visits: int | None = None
    model: Path | None = None
    is_quick: bool = False
    workers: int = 2
    keep: Path | None = None

    def __post_init__(self) -> None:
        """Refuse what can't be validated."""
        if self.sites < FEWEST or self.workers < 1:
            raise InputError(
                f"a proof needs {FEWEST} homes or more and a worker, not {self.sites} and {self.workers}"
            )
        if self.visits is not None and self.visits < 1:
            raise InputError(f"visits is {self.visits}: choose 1 or more")

    def summer(self, family: Family) -> UnlikeSpec:
        """Return the family's ordinary fleet in summer, at 15 minutes; the first family's is the big one."""
        number = FAMILIES.index(family)
        return self._spec(family, number, 1.0 if number == 0 else OTHER_SIZE)

    def winter(self, family: Family) -> UnlikeSpec:
        """Return the family's ordinary fleet in winter, hourly."""
        spec = self._spec(family, len(FAMILIES) + FAMILIES.index(family), OTHER_SIZE)
        return replace(spec, minutes=60, end=WINTER)

    def clean(self, family: Family) -> UnlikeSpec:
        """Return the family's fleet in which nothing is wrong."""
        spec = self._spec(family, 2 * len(FAMILIES) + FAMILIES.index(family), OTHER_SIZE)
        return replace(spec, fault_share=0.0)

    @property
    def seeds(self) -> set[int]:
        """Seeds of all its fleets."""
        specs = [spec for family in FAMILIES for spec in (self.summer(family), self.winter(family))]
        return {spec.seed for spec in (*specs, *(self.clean(family) for family in CLEAN))}

    def _spec(self, family: Family, number: int, size: float) -> UnlikeSpec:
        homes = max(FEWEST, round(self.sites * size * (QUICK_SIZE if self.is_quick else 1.0)))
        days = QUICK_DAYS if self.is_quick else DAYS
        return UnlikeSpec(
            homes, days, 15, self.seed + number, SUMMER, FAULT_SHARE, HARD_SHARE,
            faults=rotate_faults(round(homes * FAULT_SHARE), number), family=family,
        )  # fmt: skip


def rotate_faults(faulty: int, number: int) -> tuple[str, ...]:
    """Return which faults fleet `number` has: of few homes each fleet takes the next ones in turn; all: none named."""
    names = tuple(CATALOGUE)
    if faulty >= len(names):
        return ()
    return tuple(names[(number * faulty + index) % len(names)] for index in range(max(faulty, 1)))


def validate(
    request: ValidationRequest, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> Study:
    """Return the study of a model: its frames are `homes` of ordinary fleets and `reliability`, for the pictures.

    One lake is on disk at a time unless they are kept.

    Raises
    ------
    InputError
        A package of the proof extra is missing, the model can't be read, or it was trained on one of the seeds.
    NightFailed
        A fleet's circuit has no solution.
    """
    need_measurements()
    start = time.perf_counter()
    model = load_model(request.model)
    refuse_training_seeds(model, request.seeds)
    summer: list[Fleet] = []
    winter: list[Fleet] = []
    clean: list[Fleet] = []
    blind: list[Fleet] = []
    scratch = (
        TemporaryDirectory(prefix="nightclamp-proof-") if request.keep is None else nullcontext(request.keep)
    )
    with scratch as name:
        folder = Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        small_fleets = QUICK_SMALL_FLEETS if request.is_quick else SMALL_FLEETS
        is_kept = request.keep is not None
        builder = FleetBuilder(folder, model, settings, request.workers, is_kept, small_fleets, tell)
        for family in FAMILIES:
            with_volts, without_volts = builder.build(
                f"{family}, summer", request.summer(family), () if summer else NIGHTS, with_variants=True
            )
            summer.append(with_volts)
            blind.append(without_volts)
        for family in FAMILIES:
            winter += builder.build(f"{family}, winter hourly", request.winter(family))
        for family in CLEAN:
            clean += builder.build(f"{family}, no fault", request.clean(family))
        starts = 1 if request.is_quick else len(STARTS)
        real = [
            (f"real, {word} leg voltages", builder.real_homes(with_volts=word == "with", starts=starts))
            for word in ("with", "without")
        ]
    tell("measuring, and the limit")
    fleets = Fleets((*summer, *winter), clean, blind, real, request.visits, request.seed)
    tables = build_tables(fleets, model)
    homes = fleets.pool()
    summary = (
        f"{homes.height} homes of ordinary fleets of {len(FAMILIES)} families ({', '.join(FAMILIES)}), "
        f"{sum(fleet.homes.height for fleet in clean)} of fleets without a fault, "
        f"{sum(part.height for _, part in real)} homes of real measurements. Seeds from {request.seed} on. "
        f"{describe_training(model)}"
    )
    options = {
        **asdict(request), "model_id": model.model_id,
        "model": str(request.model or "shipped"), "keep": "kept" if request.keep else None,
    }  # fmt: skip
    seconds = {**builder.seconds, "all": time.perf_counter() - start}
    frames = {"homes": homes.drop("fault_likelihoods"), "reliability": reliability_table(homes)}
    return Study("proof", summary, options, tables, frames, seconds)
