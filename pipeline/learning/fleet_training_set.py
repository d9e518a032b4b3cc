"""Reads a user's lake for what its own fleet teaches: sound-looking homes with faults injected, and visited homes."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.core import clock, sql_runner
from pipeline.core.errors import InputError
from pipeline.core.setting_sections import OwnFleetSettings
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window import look
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.learning.base_rate import BaseRate
from pipeline.learning.fleet_examples import (
    FIT,
    PARTS,
    TEMPER,
    find_sound_homes,
    gather_intervals,
    part_of,
    sample_homes,
    write_training_lake,
)  # fmt: skip
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.learning.visit_labels import estimate_rate, visited_homes
from pipeline.probes.line_rows import has_three_lines
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score
from pipeline.storage.layout import LINE_TABLE

Tell = Callable[[str], None]
WINDOW_DAYS = 30


@dataclass(frozen=True)
class FleetTrainingSet:
    """What a fleet teaches: injected and visited homes by part, base rate and mix by its visits, and its recipe.

    `fleet` is what is normal among its own homes as they are. A part without visited homes is not in `visited`; without
    visits to fit and temper homes `rate` is None.
    """

    injected: Mapping[str, Labelled]
    visited: Mapping[str, Labelled]
    rate: tuple[BaseRate, Mapping[str, float]] | None
    recipe: Mapping[str, object]
    fleet: FleetNormal


def build_training_set(
    lake_root: Path, out: Path, scratch: Path, *, shipped: Model, settings: Settings, seed: int, tell: Tell
) -> FleetTrainingSet:
    """Choose the lake's homes, inject faults, and take every copy and every visit through the pipeline's SQL.

    Parameters
    ----------
    lake_root, out, scratch
        The lake, the nights' OUT, whose store is brought up to date, and a scratch folder, emptied first.
    shipped, settings
        The shipped model, and settings of the night.
    seed, tell
        Of the injected faults; called with lines of progress.

    Raises
    ------
    InputError
        The lake is not usable, or too few of its homes look sound.
    """
    own_fleet, lake = settings.own_fleet, open_lake(lake_root, settings)
    as_of = lake.newest_finished_day(clock.utc_now())
    registers = read_registers(lake, as_of)
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    first = as_of - timedelta(days=WINDOW_DAYS - 1)
    visits = registers.visits.filter(pl.col("visited_on") > as_of - timedelta(days=own_fleet.visit_days))
    earliest = min([first, *(visits["visited_on"] - timedelta(days=WINDOW_DAYS))])
    days = [day for day in lake.days() if earliest <= day <= as_of]
    con = sql_runner.connect(scratch, settings.engine)
    store = Store(out / "store")
    tell(f"reading {len(days)} days")
    stored = refresh_days(
        con, lake, days, registers=registers, store=store, settings=settings, workdir=scratch
    )
    window = [day for day in stored if day.day >= first]
    files, line_files = (
        [path for day in window for path in day.paths(store, table)] for table in ("site_day", LINE_TABLE)
    )
    view = look(
        con,
        files,
        registers.sites,
        visits=registers.visits,
        as_of=as_of,
        window_days=WINDOW_DAYS,
        settings=settings,
        line_files=line_files,
    )
    seen = visited_homes(
        con, store, stored,
        registers=replace(registers, visits=visits), window_days=WINDOW_DAYS, settings=settings,
        scratch=scratch / "visited",
    )  # fmt: skip
    visited = {} if seen is None else {part: select_parts(seen, (part,), own_fleet) for part in PARTS}
    model, fleet = shipped, learn_normal(view.signals, shipped, settings.verdict)
    rate = None
    if seen is not None:
        rate = estimate_rate(shipped, select_parts(seen, (FIT, TEMPER), own_fleet), fleet, settings=settings)
    if rate is not None:
        base, mix = rate
        model = replace(shipped, base_rate=base.rate, fault_mix=mix)
        fleet = learn_normal(view.signals, model, settings.verdict)
        tell(
            f"base rate {base.rate:.1%} ({base.low:.1%} to {base.high:.1%}):"
            f" {base.found} of {base.visits} visits found a fault"
        )
    scores = score(
        view.signals, registers.sites, fleet, model=model, catalogue=CATALOGUE, settings=settings.verdict
    )
    of_three = view.signals.filter(has_three_lines(view.signals))["site_id"].to_list()
    scores = scores.filter(~pl.col("site_id").is_in(of_three))  # they have the shipped model of three lines
    sound = find_sound_homes(scores, registers.visits, settings)
    homes = sample_homes(sound, own_fleet)
    parts = split_homes(homes, own_fleet)
    tell(
        f"{sound['is_clean'].sum()} of {scores.height} homes look sound;"
        f" {homes.height} are taken, {homes['is_clean'].sum()} of them to inject faults into"
    )
    rows = scratch / "rows"
    gather_intervals(
        con, lake, [day.day for day in window],
        registers=registers, homes=homes, folder=rows, settings=settings, scratch=scratch,
    )  # fmt: skip
    con.close()
    injected, clean = {}, {}
    for part, part_homes in parts.items():
        root = scratch / part
        tell(f"injecting faults into {part_homes['is_clean'].sum()} homes ({part.replace('_', ' ')})")
        clean[part] = write_training_lake(
            rows, part_homes, registers.sites, out=root / "lake", settings=own_fleet, seed=seed
        )
        injected[part] = labelled_lake(root / "lake", root, WINDOW_DAYS, settings=settings)
        shutil.rmtree(root)
    recipe = {
        "as_of": str(as_of),
        "window_days": WINDOW_DAYS,
        "own_fleet": own_fleet.model_dump(),
        "homes": clean,
        "visits": {part: homes.truth.height for part, homes in visited.items()},
        "base_rate": rate and {name: round(value, 4) for name, value in vars(rate[0]).items()},
    }
    known = {part: homes for part, homes in visited.items() if homes.truth.height}
    return FleetTrainingSet(injected, known, rate, recipe, fleet)


def split_homes(homes: pl.DataFrame, settings: OwnFleetSettings) -> dict[str, pl.DataFrame]:
    """Return the homes by what they serve for.

    Raises
    ------
    InputError
        A part has no home to inject faults into.
    """
    parts = {part: homes.filter(_is_in(homes["site_id"], (part,), settings)) for part in PARTS}
    for part, part_homes in parts.items():
        if not part_homes["is_clean"].any():
            name = part.replace("_", " ")
            raise InputError(
                f"of {homes.height} homes none is left for {name};"
                f" raise [own_fleet] min_homes, or the share of {name} homes"
            )
    return parts


def select_parts(homes: Labelled, parts: tuple[str, ...], settings: OwnFleetSettings) -> Labelled:
    """Return the homes that serve for these parts."""
    is_in = _is_in(homes.truth["site_id"], parts, settings)
    return Labelled(homes.sites, homes.signals.filter(is_in), homes.truth.filter(is_in))


def _is_in(site_ids: pl.Series, parts: tuple[str, ...], settings: OwnFleetSettings) -> pl.Series:
    return pl.Series([part_of(home, settings) in parts for home in site_ids], dtype=pl.Boolean)
