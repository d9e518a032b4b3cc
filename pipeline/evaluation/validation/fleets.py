"""Fleets of the proof: built, read and scored as of their nights, and taken away again."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.cuts import small_fleets
from pipeline.evaluation.validation.first_night import Told, told_of
from pipeline.evaluation.validation.nights import growing
from pipeline.evaluation.validation.reading import read_lake, score_as_of
from pipeline.scoring.model import Model
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import UnlikeSpec

VOLTS = ("l1_v", "l2_v")


@dataclass(frozen=True)
class Fleet:
    """A scored fleet: `seen` night -> `judge`'s frame as of then; its truth, register and what homes carry.

    `told` is what a first night on all its days says of it, `small` the homes of small fleets cut from it.
    """

    label: str
    seen: dict[int, pl.DataFrame]
    truth: pl.DataFrame
    sites: pl.DataFrame
    carries: pl.DataFrame
    told: Told
    small: pl.DataFrame | None = None

    @property
    def last(self) -> pl.DataFrame:
        """Its homes as of the last night."""
        return self.seen[max(self.seen)]


@dataclass
class Maker:
    """Makes fleets in `folder`; `seconds` says what each step took. Lakes are deleted when scored, unless kept."""

    folder: Path
    model: Model
    settings: Settings
    workers: int
    is_kept: bool
    tell: Callable[[str], None]
    seconds: dict[str, float] = field(default_factory=dict)

    def fleet(
        self,
        label: str,
        spec: UnlikeSpec,
        nights: tuple[int, ...] = (),
        is_blind_too: bool = False,
        cuts: int = 0,
    ) -> list[Fleet]:
        """Return the fleet as of `nights` and its last one; with `is_blind_too` also without its leg voltages.

        `cuts` small fleets are taken out of it. A lake of the same spec that is there already is used as it is.
        """
        root = self.folder / lake_name(spec)
        if not (root / "truth.csv").exists():
            shutil.rmtree(root, ignore_errors=True)
            start = time.perf_counter()
            write_unlike_lake(spec, root, self.workers, tell=lambda line: self.tell(f"{label}: {line}"))
            self._took("build", start)
        found = [self._scored(label, root, spec.seed, nights, cuts)]
        if is_blind_too:
            blind = self.folder / f"{root.name}-blind"
            shutil.rmtree(blind, ignore_errors=True)
            without_volts(root, blind)
            found.append(self._scored(f"{label}, no leg voltages", blind, spec.seed))
            shutil.rmtree(blind)
        if not self.is_kept:
            shutil.rmtree(root)
        return found

    def _scored(
        self, label: str, root: Path, seed: int, nights: tuple[int, ...] = (), cuts: int = 0
    ) -> Fleet:
        work = root.with_name(f"{root.name}-days")
        self.tell(f"{label}: statistics of its days")
        start = time.perf_counter()
        reading = read_lake(root, work, self.settings)
        self._took("read", start)
        start = time.perf_counter()
        first = score_as_of(reading, reading.nights, self.model, self.settings)
        told = told_of(first, reading, self.settings)
        small = small_fleets(first, reading, self.model, self.settings, cuts, seed) if cuts else None
        seen = growing(
            reading,
            self.model,
            self.settings,
            nights,
            lambda line: self.tell(f"{label}: {line}"),
            first.judged,
        )
        self._took("score", start)
        shutil.rmtree(work)
        sites = reading.registers.sites
        return Fleet(label, seen, reading.truth, sites, reading.carries, told, small)

    def _took(self, step: str, start: float) -> None:
        self.seconds[step] = self.seconds.get(step, 0.0) + time.perf_counter() - start


def lake_name(spec: UnlikeSpec) -> str:
    """Return the folder's name of a fleet, which says all of its spec."""
    shares = "-".join(f"{share:g}" for share in (spec.fault_share, spec.hard_share, spec.onset_share))
    volts = {None: "some", True: "all", False: "no"}[spec.with_volts]
    parts = (f"{spec.sites}x{spec.days}", f"{spec.minutes}min", str(spec.end), shares, f"{volts}-volts")
    return "-".join(("fleet", spec.family, *parts, *spec.faults, f"seed{spec.seed}"))


def without_volts(lake: Path, out: Path) -> None:
    """Write the same lake without what its homes report of leg voltages."""
    for path in sorted((lake / "intervals").glob("date=*/*.parquet")):
        target = out / path.relative_to(lake)
        target.parent.mkdir(parents=True, exist_ok=True)
        rows = pl.read_parquet(path, hive_partitioning=False)
        blanked = [pl.lit(None, dtype=pl.Float64).alias(name) for name in VOLTS if name in rows.columns]
        rows.with_columns(blanked).write_parquet(target)
    for path in lake.glob("*.csv"):
        shutil.copy(path, out / path.name)
