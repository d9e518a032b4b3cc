"""What a home's corrected rows of a day come from, as digests: an unchanged one means that nothing has to be done."""

from __future__ import annotations

import hashlib
import json
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

# Modules that say how rows are stored or told, not what is in them.
_TELLS = ("__init__", "run", "stages", "outcome", "summary_file", "statement", "page", "write_statement")
_QUERIES = ("macros", "interval_read", "interval_of_homes", "interval_checked", "interval_used")
_SIZE = 8  # bytes of a digest


@cache
def code_digest() -> str:
    """Return the digest of the queries and of the modules that rows are corrected by, but for comments and layout."""
    digest = hashlib.blake2b(digest_size=_SIZE)
    for query in _QUERIES:
        digest.update(sql_runner.sql_text(query).encode())
    for path in sorted(files("pipeline.correction").iterdir(), key=lambda path: path.name):
        if path.name.endswith(".py") and path.name.removesuffix(".py") not in _TELLS:
            for part in code_parts(path.read_text(encoding="utf-8")):
                digest.update(part.encode() + b"\0")
    return digest.hexdigest()


def settings_digest(settings: Settings) -> str:
    """Return the digest of the settings that corrected rows depend on."""
    parts = (
        settings.correction.model_dump_json(exclude={"in_night"}),
        settings.lake.model_dump_json(exclude={"homes_per_shard"}),
    )
    return hashlib.blake2b("\0".join(parts).encode(), digest_size=_SIZE).hexdigest()


def with_story(episodes: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes, sorted by home and time, with `story`, a digest of their values and of the home's limits.

    Parameters
    ----------
    episodes
        Table EPISODE.
    limits
        site_id, leg_max_w, pv_max_w [W]: what a reading of a home may be at most.

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
    facts = ordered.join(limits, on="site_id", how="left", maintain_order="left")
    # Columns beside EPISODE's are facts that a correction may use, so all of them count.
    named = [*EPISODE.names(), *sorted(set(facts.columns) - set(EPISODE.names()))]
    stories = [_digest(row) for row in facts.select(named).iter_rows()]
    return ordered.with_columns(story=pl.Series(stories, dtype=pl.String))


def home_digests(stories: Sequence[str], basis: Sequence[str]) -> list[str]:
    """Return the digest of each home of a day from its story and what all homes of the day share, as `basis`."""
    shared = "\0".join(basis)
    return [
        hashlib.blake2b(f"{shared}\0{story}".encode(), digest_size=_SIZE).hexdigest() for story in stories
    ]


def _digest(row: Sequence[object]) -> str:
    return hashlib.blake2b(json.dumps(row, default=str).encode(), digest_size=_SIZE).hexdigest()
