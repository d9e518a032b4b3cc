"""The whole proof: builds fleets unlike the training one, scores them, measures, compares with what must be shown."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import InputError
from pipeline.families.measurements import need_measurements
from pipeline.families.spec import UnlikeSpec
from pipeline.proof import results
from pipeline.proof.calibration import reliability
from pipeline.proof.fleets import Maker
from pipeline.proof.nights import NIGHTS
from pipeline.proof.real import real_homes
from pipeline.proof.real_homes import STARTS
from pipeline.proof.tables import Table
from pipeline.scoring.model_file import load_model
from pipeline.settings import Settings

DAYS, QUICK_DAYS = 30, 14
SUMMER, WINTER = date(2026, 6, 14), date(2026, 1, 21)
MANY_FAULTS, MANY_HARD = 0.45, 0.3
MANY_SIZE, OTHER_SIZE, QUICK_SIZE = 0.5, 0.2, 0.1  # homes, against the ordinary fleet's
FEWEST = 60  # homes of a fleet


@dataclass(frozen=True)
class ProofRequest:
    """What to prove: `sites` homes of the ordinary fleet, `seed`, at the cut of `visits` (None: as many as faulty).

    `model` is a folder or None for the shipped one; `is_quick` takes a tenth of the homes, half of the days and one
    of the real starts; `workers` processes build the fleets; `keep` is a folder in which fleets stay, and are taken
    from where they are there already (None: a folder for the time).
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

    def spec(self, share: float, number: int, minutes: int = 15, end: date = SUMMER) -> UnlikeSpec:
        """Return a fleet of many faults with this share of the ordinary fleet's homes; number 0 is the ordinary one."""
        homes = max(FEWEST, round(self.sites * share * (QUICK_SIZE if self.is_quick else 1.0)))
        faults, hard = (MANY_FAULTS, MANY_HARD) if number else (results.FAULT_SHARE, results.HARD_SHARE)
        days = QUICK_DAYS if self.is_quick else DAYS
        return UnlikeSpec(homes, days, minutes, self.seed + number, end, faults, hard)


@dataclass(frozen=True)
class Proof:
    """What was found: `tables` in reading order, `reliability` for the picture, `homes` at 15 minutes one by one.

    `asked` is the request in words, `told` a sentence about the fleets, `seconds` what each step took.
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
        A package of the proof extra is missing, or the model can't be read.
    NightFailed
        A fleet's circuit has no solution.
    """
    need_measurements()
    began = time.perf_counter()
    model = load_model(request.model)
    with _folder(request.keep) as folder:
        is_kept = request.keep is not None
        maker = Maker(folder, model, settings, request.workers, is_kept, tell)
        (main,) = maker.fleet("ordinary", request.spec(1.0, 0), NIGHTS)
        summer, blind = maker.fleet("summer", request.spec(MANY_SIZE, 1), NIGHTS, is_blind_too=True)
        (winter,) = maker.fleet("winter", request.spec(MANY_SIZE, 2, end=WINTER), NIGHTS)
        others = [
            fleet
            for minutes in (5, 60)
            for fleet in maker.fleet(
                f"summer, {minutes} min", request.spec(OTHER_SIZE, 3, minutes), is_blind_too=True
            )
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
    found = results.Found(main, (summer, winter), (blind, *others), real, request.visits, request.seed)
    tables = results.tables(found)
    whole = results.pooled(found)
    seconds = {**maker.seconds, "all": time.perf_counter() - began}
    asked = {
        **asdict(request),
        "model": str(request.model or "shipped"),
        "keep": None if not is_kept else "kept",
    }
    told = (
        f"{main.last.height} homes of an ordinary fleet, {whole.height - main.last.height} of fleets with many faults: "
        "loads from the CREST model, PV from pvlib under drawn clouds, voltages from OpenDSS; "
        f"{sum(judged.height for _, judged in real)} homes of real measurements. Seed {request.seed}."
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
