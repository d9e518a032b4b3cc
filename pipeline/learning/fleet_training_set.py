"""Reads a user's lake for what its own fleet teaches: sound-looking homes with faults injected, and visited homes."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.errors import InputError
from pipeline.core.setting_sections import OwnFleetSettings
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
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
    gather,
    part_of,
    sound_looking,
    taken,
    write_lessons,
)
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.learning.visit_labels import rate_of, visited_homes
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score

Tell = Callable[[str], None]
WINDOW_DAYS = 30


@dataclass(frozen=True)
class OwnLessons:
    """What a fleet teaches: injected and visited homes by part, base rate and mix by its visits, and what came of what.

    `fleet` is what is normal among its own homes as they are. A part without visited homes is not in `visited`; without
    visits to fit and temper homes `rated` is None.
    """

    injected: Mapping[str, Labelled]
    visited: Mapping[str, Labelled]
    rated: tuple[BaseRate, Mapping[str, float]] | None
    recipe: Mapping[str, object]
    fleet: FleetNormal


def own_lessons(
    lake_root: Path,
    out: Path,
    workdir: Path,
    shipped: Model,
    catalogue: Mapping[str, Fault],
    settings: Settings,
    seed: int,
    tell: Tell = lambda line: None,
) -> OwnLessons:
    """Choose the lake's homes, inject faults, and take every copy and every visit through the pipeline's SQL.

    `workdir` is emptied first; the store in OUT is brought up to date.

    Raises
    ------
    InputError
        The lake is not usable, or too few of its homes look sound.
    """
    own, lake = settings.own_fleet, open_lake(lake_root, settings)
    as_of = lake.newest_day(datetime.now(UTC).date())
    registers = read_registers(lake, as_of)
    shutil.rmtree(workdir, ignore_errors=True)
    workdir.mkdir(parents=True)
    first = as_of - timedelta(days=WINDOW_DAYS - 1)
    visits = registers.visits.filter(pl.col("visited_on") > as_of - timedelta(days=own.visit_days))
    earliest = min([first, *(visits["visited_on"] - timedelta(days=WINDOW_DAYS))])
    days = [day for day in lake.days() if earliest <= day <= as_of]
    con = sql_runner.connect(workdir, settings.engine)
    store = Store(out / "store")
    tell(f"reading {len(days)} days")
    stored = refresh_days(
        con, lake, days, registers=registers, store=store, settings=settings, workdir=workdir
    )
    window = [day for day in stored if day.day >= first]
    files = [path for day in window for path in day.paths(store, "site_day")]
    view = look(
        con,
        files,
        registers.sites,
        visits=registers.visits,
        as_of=as_of,
        window_days=WINDOW_DAYS,
        settings=settings,
    )
    seen = visited_homes(
        con,
        store,
        stored,
        replace(registers, visits=visits),
        WINDOW_DAYS,
        catalogue,
        settings,
        workdir / "visited",
    )
    visited = {} if seen is None else {part: only(seen, (part,), settings) for part in PARTS}
    fleet = learn_normal(view.signals, shipped, settings.verdict)
    rated = (
        None
        if seen is None
        else rate_of(shipped, only(seen, (FIT, TEMPER), settings), fleet, catalogue, settings)
    )
    model = shipped
    if rated is not None:
        rate, mix = rated
        model = replace(shipped, base_rate=rate.rate, fault_mix=mix)
        fleet = learn_normal(view.signals, model, settings.verdict)
        tell(
            f"base rate {rate.rate:.1%} ({rate.low:.1%} to {rate.high:.1%}):"
            f" {rate.found} of {rate.visits} visits found a fault"
        )
    scores = score(view.signals, registers.sites, fleet, model, catalogue, settings.verdict)
    looking = sound_looking(scores, registers.visits, settings)
    homes = taken(looking, own)
    parts = dealt(homes, own)
    tell(
        f"{looking['is_clean'].sum()} of {scores.height} homes look sound;"
        f" {homes.height} are taken, {homes['is_clean'].sum()} of them to inject faults into"
    )
    gather(con, lake, [day.day for day in window], registers, homes, workdir / "rows", settings, workdir)
    con.close()
    injected, used = {}, {}
    for part, some in parts.items():
        root = workdir / part
        tell(f"injecting faults into {some['is_clean'].sum()} homes ({part.replace('_', ' ')})")
        used[part] = write_lessons(
            workdir / "rows", some, registers.sites, root / "lake", catalogue, own, seed
        )
        injected[part] = labelled_lake(root / "lake", root, WINDOW_DAYS, settings)
        shutil.rmtree(root)
    recipe = {
        "as_of": str(as_of),
        "window_days": WINDOW_DAYS,
        "own_fleet": own.model_dump(),
        "homes": used,
        "visits": {part: homes.truth.height for part, homes in visited.items()},
        "base_rate": rated and {name: round(value, 4) for name, value in vars(rated[0]).items()},
    }
    told = {part: homes for part, homes in visited.items() if homes.truth.height}
    return OwnLessons(injected, told, rated, recipe, fleet)


def dealt(homes: pl.DataFrame, own: OwnFleetSettings) -> dict[str, pl.DataFrame]:
    """Return the homes by what they serve for.

    Raises
    ------
    InputError
        A part has no home to inject faults into.
    """
    parts = {
        part: homes.filter(
            pl.Series([part_of(home, own) == part for home in homes["site_id"]], dtype=pl.Boolean)
        )
        for part in PARTS
    }
    for part, some in parts.items():
        if not some["is_clean"].any():
            raise InputError(
                f"of {homes.height} homes none is left for {part.replace('_', ' ')};"
                f" raise [own_fleet] min_homes, or the share of {part.replace('_', ' ')} homes"
            )
    return parts


def only(homes: Labelled, parts: tuple[str, ...], settings: Settings) -> Labelled:
    """Return the homes that are dealt to these parts."""
    is_in = pl.Series(
        [part_of(home, settings.own_fleet) in parts for home in homes.truth["site_id"]], dtype=pl.Boolean
    )
    return Labelled(homes.sites, homes.signals.filter(is_in), homes.truth.filter(is_in))
