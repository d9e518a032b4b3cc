"""How a night fails: one line that names the disk if it is the disk, and says what is published."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.disk_errors import tell_failure
from pipeline.core.errors import NightFailed
from pipeline.nightly.night_inputs import NightInputs
from pipeline.storage import publish
from pipeline.storage.output_location import Out


@dataclass
class Outcome:
    """What a night that fails now has come to."""

    left: str = "nothing was published"


@contextmanager
def failing_in_a_line(out: Path, outcome: Outcome | None = None) -> Iterator[Outcome]:
    """Raise what the disk, DuckDB, Polars or the memory refuses in the block as `NightFailed`, with the outcome behind.

    `out` is the folder that is written in. Whoever has published says so in the outcome. Which disk is full can be told
    only until what was written is removed, so this goes inside of whatever tidies up.
    """
    outcome = outcome or Outcome()
    try:
        yield outcome
    except (OSError, MemoryError, duckdb.Error, pl.exceptions.PolarsError) as error:
        raise NightFailed(f"{tell_failure(error, out)}; {outcome.left}") from error


@contextmanager
def tidied(inputs: NightInputs, out: Out) -> Iterator[None]:
    """Have the scratch folder in the block; afterwards it is gone, and with it what a night that failed has built."""
    try:
        inputs.scratch.mkdir(parents=True, exist_ok=True)
        yield
    finally:
        shutil.rmtree(inputs.scratch, ignore_errors=True)
        publish.remove_building(out.local)
