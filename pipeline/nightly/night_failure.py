"""How a night fails: one line that names the disk if it is the disk, and says what is published."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.disk_errors import tell_failure
from pipeline.core.errors import NightFailed


@dataclass
class Outcome:
    """What a night that fails now has come to, and the folder that it writes in."""

    near: Path
    left: str = "nothing was published"


@contextmanager
def failing_in_a_line(out: Path) -> Iterator[Outcome]:
    """Raise what the disk, DuckDB, Polars or the memory refuses in the block as `NightFailed`, with the outcome behind.

    `out` is where results go. Whoever has published, or works in another folder, says so in the outcome.
    """
    outcome = Outcome(out)
    try:
        yield outcome
    except (OSError, MemoryError, duckdb.Error, pl.exceptions.PolarsError) as error:
        raise NightFailed(f"{tell_failure(error, outcome.near)}; {outcome.left}") from error
