"""The whole proof: builds fleets that no training has seen, scores them, measures, compares with what must be shown."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.evaluation.validation import results
from pipeline.evaluation.validation.calibration import reliability
from pipeline.evaluation.validation.fleets import Fleet, Maker
from pipeline.evaluation.validation.found import FAULT_SHARE, HARD_SHARE, Found, pooled
from pipeline.evaluation.validation.nights import NIGHTS
from pipeline.evaluation.validation.real import real_homes
from pipeline.evaluation.validation.real_homes import STARTS
from pipeline.evaluation.validation.schooling import refuse_seen, schooling_told
from pipeline.evaluation.validation.tables import Table
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.model_file import load_model
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.spec import FAMILIES, Family, UnlikeSpec

DAYS, QUICK_DAYS = 30, 14
SUMMER, WINTER = date(2026, 6, 14), date(2026, 1, 21)
OTHER_SIZE, QUICK_SIZE = 0.5, 0.1  # homes, against the first fleet's
FEWEST = 60  # homes of a fleet
CUTS, QUICK_CUTS = 20, 5  # small fleets out of each family's summer fleet
CLEAN: tuple[Family, ...] = ("weather", "measured")  # families with a fleet without a fault


@dataclass(frozen=True)
class ProofRequest:
    """What to prove: `sites` homes of the first fleet, `seed`, at the cut of `visits` (None: as many as faulty).

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
        """Refuse what can't be proved."""
        if self.sites < FEWEST or self.workers < 1:
            raise InputError(
                f"a proof needs {FEWEST} homes or more and a worker, not {self.sites} and {self.workers}"
            )
        if self.visits is not None and self.visits < 1:
            raise InputError(f"visits is {self.visits}: choose 1 or more")

    def summer(self, family: Family) -> UnlikeSpec:
        """Return the family's ordinary fleet in summer, at 15 minutes; the first family's is the big one."""
        at = FAMILIES.index(family)
        return self._spec(family, at, 1.0 if at == 0 else OTHER_SIZE)

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
            faults=kinds(round(homes * FAULT_SHARE), number), family=family,
        )  # fmt: skip


def kinds(faulty: int, number: int) -> tuple[str, ...]:
    """Return which faults fleet `number` has: of few homes each fleet takes the next ones in turn; all: none named."""
    names = tuple(CATALOGUE)
    if faulty >= len(names):
        return ()
    return tuple(names[(number * faulty + at) % len(names)] for at in range(max(faulty, 1)))


@dataclass(frozen=True)
class Proof:
    """What was found: `tables` in reading order, `reliability` for the picture, `homes` of ordinary fleets one by one.

    `asked` is the request in words, `told` sentences about the fleets and the model, `seconds` what each step took.
    """

    model_id: str
    told: str
    asked: dict[str, Any]
    tables: tuple[Table, ...]
    reliability: pl.DataFrame
    homes: pl.DataFrame
    seconds: dict[str, float]

    @property
    def is_shown(self) -> bool:
        """Whether every target is met."""
        return bool(self.tables[0].frame["is_met"].all())


def prove(
    request: ProofRequest, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> Proof:
    """Build the fleets, score and measure them; one lake is on disk at a time unless they are kept.

    Raises
    ------
    InputError
        A package of the proof extra is missing, the model can't be read, or it was trained on one of the seeds.
    NightFailed
        A fleet's circuit has no solution.
    """
    need_measurements()
    began = time.perf_counter()
    model = load_model(request.model)
    refuse_seen(model, request.seeds)
    with _folder(request.keep) as folder:
        is_kept = request.keep is not None
        maker = Maker(folder, model, settings, request.workers, is_kept, tell)
        summer: list[Fleet] = []
        blind: list[Fleet] = []
        winter: list[Fleet] = []
        for family in FAMILIES:
            spec, nights = request.summer(family), () if summer else NIGHTS
            cuts = QUICK_CUTS if request.is_quick else CUTS
            seen, unseen = maker.fleet(f"{family}, summer", spec, nights, is_blind_too=True, cuts=cuts)
            summer.append(seen)
            blind.append(unseen)
        for family in FAMILIES:
            winter += maker.fleet(f"{family}, winter hourly", request.winter(family))
        clean = [
            fleet for family in CLEAN for fleet in maker.fleet(f"{family}, no fault", request.clean(family))
        ]
        start = time.perf_counter()
        starts = 1 if request.is_quick else len(STARTS)
        real = [
            (
                f"real, {told} leg voltages",
                real_homes(folder, model, settings, has_volts, starts, is_kept, tell),
            )
            for told, has_volts in (("with", True), ("without", False))
        ]
        maker.seconds["real homes"] = time.perf_counter() - start
    tell("measuring, and the limit")
    found = Found((*summer, *winter), clean, blind, real, request.visits, request.seed)
    tables = results.tables(found, model)
    whole = pooled(found)
    seconds = {**maker.seconds, "all": time.perf_counter() - began}
    asked = {
        **asdict(request),
        "model": str(request.model or "shipped"),
        "keep": None if not is_kept else "kept",
    }
    told = (
        f"{whole.height} homes of ordinary fleets of {len(FAMILIES)} families ({', '.join(FAMILIES)}), "
        f"{sum(fleet.last.height for fleet in clean)} of fleets without a fault, "
        f"{sum(judged.height for _, judged in real)} homes of real measurements. Seeds from {request.seed} on. "
        f"{schooling_told(model)}"
    )
    homes = whole.drop("fault_likelihoods")
    return Proof(model.model_id, told, asked, tables, reliability(whole), homes, seconds)


@contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        yield keep
        return
    with tempfile.TemporaryDirectory(prefix="nightclamp-proof-") as folder:
        yield Path(folder)
