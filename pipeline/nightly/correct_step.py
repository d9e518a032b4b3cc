"""The night's last step where [correction] in_night is set: past readings put right, once the list is out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.alarm import Alarm, alarm
from pipeline.core.disk_errors import tell_failure
from pipeline.core.errors import NightclampError
from pipeline.correction.findings import shipped_stages
from pipeline.correction.run import correct_night
from pipeline.correction.stages import Stages
from pipeline.nightly.night_inputs import NightInputs
from pipeline.storage.output_location import Out


def correct_published(
    inputs: NightInputs,
    out: Out,
    folder: Path,
    *,
    stages: Stages | None = None,
    tell: Callable[[str], None] = lambda line: None,
) -> Alarm | None:
    """Put past readings right by the run in `folder`; return an alarm if that failed: the night stays published.

    Parameters
    ----------
    inputs, out, folder
        What the night worked on, the OUT that it holds, and the published run.
    stages
        Who finds, corrects and writes the statement; else those that `nightclamp correct` uses.
    tell
        Called with a line of progress.
    """
    try:
        correct_night(
            out, folder, inputs.lake,
            registers=inputs.registers, settings=inputs.settings, stages=stages or shipped_stages(), tell=tell,
        )  # fmt: skip
    except (NightclampError, OSError, MemoryError, duckdb.Error, pl.exceptions.PolarsError) as error:
        why = str(error) if isinstance(error, NightclampError) else tell_failure(error, out.local)
        return alarm(
            "correction_failed",
            f"past readings were not put right, those of earlier runs stay: {why[:300]}",
            "`nightclamp correct LAKE --out OUT`",
        )
    return None
