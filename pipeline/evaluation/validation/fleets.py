"""The fleets of a validation: built, read and scored as of their nights, and taken away again."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.first_night import summarize_first_night
from pipeline.evaluation.validation.nights import ScoredNight, StoredLake, score_night, store_lake
from pipeline.evaluation.validation.real_hard import KINDS
from pipeline.evaluation.validation.real_homes import STARTS, windows, write_real_lake
from pipeline.evaluation.validation.real_lines import windows_on
from pipeline.evaluation.validation.truth import join_truth, pool_homes, reweight
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.types import Fault
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import UnlikeSpec

VOLTS = ("l1_v", "l2_v", "l3_v")
SMALL_FLEET_HOMES = 60
# Shares of an ordinary fleet, also what the homes of real measurements are weighted to.
FAULT_SHARE, HARD_SHARE = 0.055, 0.15


@dataclass(frozen=True)
class Fleet:
    """A scored fleet: `nights` night -> `join_truth`'s homes as of then; its truth, register and channels.

    `first_night` is `summarize_first_night` on all its days, `small` the homes of small fleets cut from it.
    """

    label: str
    nights: dict[int, pl.DataFrame]
    truth: pl.DataFrame
    sites: pl.DataFrame
    channels: pl.DataFrame
    first_night: dict[str, Any]
    small: pl.DataFrame | None = None

    @property
    def homes(self) -> pl.DataFrame:
        """Its homes as of the last night."""
        return self.nights[max(self.nights)]


@dataclass(frozen=True)
class Fleets:
    """All scored fleets, by what they are for.

    `ordinary` fleets of every family and season (the first was scored night by night), `clean` ones without a
    fault, `blind` ones without leg voltages, `real` homes of real measurements with and without leg voltages.
    `visits` are those of the first fleet (None: as many as are faulty).
    """

    ordinary: Sequence[Fleet]
    clean: Sequence[Fleet]
    blind: Sequence[Fleet]
    real: Sequence[tuple[str, pl.DataFrame]]
    visits: int | None = None
    seed: int = 1

    @property
    def small(self) -> list[tuple[str, pl.DataFrame]]:
        """The small fleets cut from each ordinary fleet that has some, by its label."""
        return [(fleet.label, fleet.small) for fleet in self.ordinary if fleet.small is not None]

    def pool(self) -> pl.DataFrame:
        """Return the homes of all ordinary fleets as one."""
        return pool_homes([fleet.homes for fleet in self.ordinary])

    def visits_of(self, homes: int) -> int | None:
        """Return the visits of a fleet of so many homes, in proportion to the first fleet's."""
        if self.visits is None:
            return None
        return max(1, round(self.visits * homes / self.ordinary[0].homes.height))


@dataclass
class FleetBuilder:
    """Makes fleets in `folder`, cuts `small_fleets` from one; lakes are deleted when scored unless kept.

    `seconds` says what each step took.
    """

    folder: Path
    model: Model
    settings: Settings
    workers: int
    is_kept: bool
    small_fleets: int = 0
    tell: Callable[[str], None] = lambda line: None
    seconds: dict[str, float] = field(default_factory=dict)

    def build(
        self, label: str, spec: UnlikeSpec, nights: tuple[int, ...] = (), *, with_variants: bool = False
    ) -> list[Fleet]:
        """Return the fleet as of `nights` and its last one; a lake of the same spec that is there is used as it is.

        Parameters
        ----------
        label
            What tables call it.
        spec
            How it is drawn.
        nights
            Numbers from 1.
        with_variants
            Whether small fleets are cut from it, and a second fleet comes with it: the same without leg voltages.
        """
        root = self.folder / lake_name(spec)
        if not (root / "truth.csv").exists():
            shutil.rmtree(root, ignore_errors=True)
            start = time.perf_counter()
            write_unlike_lake(spec, root, self.workers, tell=lambda line: self.tell(f"{label}: {line}"))
            self._add_seconds("build", start)
        fleets = [self._score(label, root, spec.seed, nights=nights, has_small=with_variants)]
        if with_variants:
            blind = self.folder / f"{root.name}-blind"
            shutil.rmtree(blind, ignore_errors=True)
            copy_without_volts(root, blind)
            fleets.append(self._score(f"{label}, no leg voltages", blind, spec.seed))
            shutil.rmtree(blind)
        if not self.is_kept:
            shutil.rmtree(root)
        return fleets

    def _score(
        self, label: str, root: Path, seed: int, *, nights: tuple[int, ...] = (), has_small: bool = False
    ) -> Fleet:
        scratch = root.with_name(f"{root.name}-days")
        self.tell(f"{label}: statistics of its days")
        start = time.perf_counter()
        stored = store_lake(root, scratch, self.settings)
        self._add_seconds("read", start)
        start = time.perf_counter()
        last = score_night(stored, stored.nights, self.model)
        summary = summarize_first_night(last, stored)
        small = self.cut_small_fleets(last, stored, seed) if has_small else None
        scored = {}
        for night in (night for night in nights if night < stored.nights):
            self.tell(f"{label}: scored as of night {night}")
            scored[night] = score_night(stored, night, self.model).homes
        scored[stored.nights] = last.homes
        self._add_seconds("score", start)
        shutil.rmtree(scratch)
        return Fleet(label, scored, stored.truth, stored.registers.sites, stored.channels, summary, small)

    def cut_small_fleets(self, night: ScoredNight, stored: StoredLake, seed: int) -> pl.DataFrame:
        """Return the homes of fleets of SMALL_FLEET_HOMES, each scored with the normal that it learns by itself.

        The same fleet never has a home twice; a home comes again only when all have been taken.
        """
        site_ids = night.scores["site_id"].sort().to_list()
        rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(60,)))
        parts: list[pl.DataFrame] = []
        order: list[str] = []
        for _ in range(self.small_fleets):
            if len(order) < min(SMALL_FLEET_HOMES, len(site_ids)):
                order = [site_ids[index] for index in rng.permutation(len(site_ids))]
            is_in = pl.col("site_id").is_in(order[:SMALL_FLEET_HOMES])
            order = order[SMALL_FLEET_HOMES:]
            signals, sites = night.view.signals.filter(is_in), stored.registers.sites.filter(is_in)
            normal = learn_normal(signals, self.model, self.settings.verdict)
            scores = score(
                signals, sites, normal, model=self.model, catalogue=CATALOGUE, settings=self.settings.verdict
            )
            parts.append(join_truth(scores, stored.truth, stored.channels, as_of=night.as_of))
        return pool_homes(parts)

    def real_homes(
        self, with_volts: bool, starts: int = len(STARTS), service: str = "120/240"
    ) -> pl.DataFrame:
        """Return the homes of real measurements, the windows of the first `starts` STARTS ranked as one.

        Each window of 30 days is there untouched, once a hard negative, and once a fault and leg of the catalogue.
        """
        of_start = windows if service == "120/240" else partial(windows_on, service)
        began = time.perf_counter()
        parts = []
        for number, start in enumerate(STARTS[:starts], start=1):
            root = (
                self.folder / f"real-{start}-{'volts' if with_volts else 'power'}-{service.replace('/', '_')}"
            )
            self.tell(f"real homes from {start}, {'with' if with_volts else 'without'} leg voltages")
            hard = [(kind, 100 * number + index) for index, kind in enumerate(KINDS)]
            homes, faults = of_start(start), injections(number, service)
            write_real_lake(root, faults, homes, with_volts=with_volts, hard=hard)
            stored = store_lake(root, self.folder / f"scratch-{root.name}", self.settings)
            parts.append(score_night(stored, stored.nights, self.model).homes)
            shutil.rmtree(stored.scratch)
            if not self.is_kept:
                shutil.rmtree(root)
        self._add_seconds("real homes", began)
        return pool_homes(parts)

    def _add_seconds(self, step: str, start: float) -> None:
        self.seconds[step] = self.seconds.get(step, 0.0) + time.perf_counter() - start


def weigh_as_ordinary(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the homes weighted as in an ordinary fleet."""
    return reweight(homes, FAULT_SHARE, HARD_SHARE)


def injections(start: int, service: str = "120/240") -> list[tuple[str, str, int]]:
    """Return (fault, leg, seed) for the homes of one start: every fault on every leg it can have, own severities."""
    possible = {name: fault for name, fault in CATALOGUE.items() if _can_happen(fault, service)}
    pairs = [(name, leg) for name, fault in possible.items() for leg in fault.legs_on(service)]
    return [(name, leg, 1000 * start + number) for number, (name, leg) in enumerate(pairs, start=1)]


def _can_happen(fault: Fault, service: str) -> bool:
    cts = fault.needs.get("cts_per_leg", 1)
    wiring = Wiring.sound(service, ct_sees_pv=cts == 1, cts_per_leg=cts)
    return fault.fits(
        wiring, Circuit.from_powers(np.ones((wiring.line_count, 1)), np.ones(1), service=service)
    )


def lake_name(spec: UnlikeSpec) -> str:
    """Return the folder's name of a fleet, which says all of its spec."""
    shares = "-".join(f"{share:g}" for share in (spec.fault_share, spec.hard_share, spec.onset_share))
    volts = {None: "some", True: "all", False: "no"}[spec.with_volts]
    parts = (f"{spec.sites}x{spec.days}", f"{spec.minutes}min", str(spec.end), shares, f"{volts}-volts")
    services = () if spec.service is None else (spec.service.translate({ord("/"): "_", ord(" "): "_"}),)
    return "-".join(("fleet", spec.family, *parts, *services, *spec.faults, f"seed{spec.seed}"))


def copy_without_volts(lake: Path, out: Path) -> None:
    """Write the same lake without what its homes report of leg voltages."""
    for path in sorted((lake / "intervals").glob("date=*/*.parquet")):
        target = out / path.relative_to(lake)
        target.parent.mkdir(parents=True, exist_ok=True)
        rows = pl.read_parquet(path, hive_partitioning=False)
        nulls = [pl.lit(None, dtype=pl.Float64).alias(name) for name in VOLTS if name in rows.columns]
        rows.with_columns(nulls).write_parquet(target)
    for path in lake.glob("*.csv"):
        shutil.copy(path, out / path.name)
