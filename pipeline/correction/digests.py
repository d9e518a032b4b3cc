"""What a home's corrected rows of a day come from, as digests: an unchanged one means that nothing has to be done."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from datetime import date
from functools import cache
from importlib.resources import files

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.correction.layout import EPISODE
from pipeline.features.kernel_digest import code_parts

# What rows are read and corrected by, with all of these packages that they import, and the faults' own modules.
_ROOTS = ("pipeline.correction.rows", "pipeline.correction.extract", "pipeline.correction.layout")
_PACKAGES = ("pipeline.correction.", "pipeline.faults.")
_FAULTS = "pipeline.faults.catalogue"
_IMPORT = re.compile(r"^from (pipeline\.[\w.]+) import", re.MULTILINE)
_QUERIES = ("macros", "interval_read", "interval_of_homes", "interval_checked", "interval_used")
# Columns of the site record that corrected rows depend on, beside what the home's service and array can carry.
FACTS = (
    "timezone", "latitude", "longitude", "service", "service_amps", "pv_kw", "ct_sees_pv", "pv_added_back",
    "has_battery", "leg_max_w", "pv_max_w",
)  # fmt: skip
_SIZE = 8  # bytes of a digest


@cache
def code_digest() -> str:
    """Return the digest of the queries and modules that rows are corrected by, but for comments and layout."""
    digest = hashlib.blake2b(digest_size=_SIZE)
    for query in _QUERIES:
        digest.update(sql_runner.sql_text(query).encode())
    for _, source in sorted(correcting_modules().items()):
        for part in code_parts(source):
            digest.update(part.encode() + b"\0")
    return digest.hexdigest()


def correcting_modules() -> dict[str, str]:
    """Return the source of each module that rows are corrected by, by its full name."""
    faults = (path.name for path in files(_FAULTS).iterdir() if path.name.endswith(".py"))
    waiting = [*_ROOTS, *(f"{_FAULTS}.{name.removesuffix('.py')}" for name in faults)]
    sources: dict[str, str] = {}
    while waiting:
        name = waiting.pop()
        if name not in sources:
            package, _, module = name.rpartition(".")
            is_package = files(package).joinpath(module).is_dir()
            path = (
                files(name).joinpath("__init__.py") if is_package else files(package).joinpath(f"{module}.py")
            )
            sources[name] = path.read_text(encoding="utf-8")
            waiting += [used for used in _IMPORT.findall(sources[name]) if used.startswith(_PACKAGES)]
    return sources


def settings_digest(settings: Settings) -> str:
    """Return the digest of the settings that corrected rows depend on."""
    parts = (
        settings.correction.model_dump_json(exclude={"in_night", "home_pages"}),
        settings.lake.model_dump_json(exclude={"homes_per_shard"}),
    )
    return hashlib.blake2b("\0".join(parts).encode(), digest_size=_SIZE).hexdigest()


def with_story(episodes: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes, sorted by home and time, with `story`, a digest of their values and of the home's facts.

    Parameters
    ----------
    episodes
        Table EPISODE; columns beside count too.
    sites
        The site record with what a home can carry (`Registers.site_limits`).

    Raises
    ------
    NightFailed
        Two episodes of a home overlap.
    """
    ordered = episodes.sort("site_id", "from_on")
    home_before, to_before = pl.col("site_id").shift(1), pl.col("to_on").shift(1).fill_null(date.max)
    is_overlap = (home_before == pl.col("site_id")) & (to_before >= pl.col("from_on"))
    overlaps = ordered.filter(pl.int_range(pl.len()) > 0, is_overlap)
    if overlaps.height:
        first = overlaps.row(0, named=True)
        raise NightFailed(f"{first['site_id']}: two episodes on {first['from_on']}; please report this")
    named = [*EPISODE.names(), *sorted(set(ordered.columns) - set(EPISODE.names()))]
    homes = sites.filter(pl.col("site_id").is_in(ordered["site_id"].implode()))
    facts = {site: values for site, *values in homes.select("site_id", *FACTS).iter_rows()}
    stories = [digest_of((*row, facts.get(row[0]))) for row in ordered.select(named).iter_rows()]
    return ordered.with_columns(story=pl.Series(stories, dtype=pl.String))


def home_digests(stories: Sequence[str], basis: Sequence[str]) -> list[str]:
    """Return the digest of each home of a day from its story and what all homes of the day share, as `basis`."""
    shared = "\0".join(basis)
    return [
        hashlib.blake2b(f"{shared}\0{story}".encode(), digest_size=_SIZE).hexdigest() for story in stories
    ]


def digest_of(values: Sequence[object]) -> str:
    """Return a digest of values as they are written in JSON."""
    return hashlib.blake2b(json.dumps(values, default=str).encode(), digest_size=_SIZE).hexdigest()
