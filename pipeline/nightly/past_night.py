"""What a night of the past may not know: homes and trainings that came after it.

Visits and safety calls after the night are never read. A register of homes says nothing of when a home was put in, so a
home that is to be commissioned later is left out as long as no row of it has come.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from pipeline.features.update_store import StoredDay
from pipeline.nightly.night_inputs import NightInputs


def as_known_then(inputs: NightInputs, stored: Sequence[StoredDay]) -> NightInputs:
    """Return the inputs of a night with the registers as they were known then, if the lake has later days.

    `stored` are the days it reads, by which a home is known that has rows.
    """
    if not inputs.later:
        return inputs
    registers, as_of = inputs.registers, inputs.as_of
    files = [path for day in stored if day.day <= as_of for path in day.paths(inputs.store, "site_day")]
    heard = pl.scan_parquet(files, glob=False, hive_partitioning=False).select("site_id").unique().collect()
    is_there = (pl.col("commissioned_on") <= as_of).fill_null(True)
    sites = registers.sites.filter(is_there | pl.col("site_id").is_in(heard["site_id"].implode()))
    trainings = registers.trainings.filter((pl.col("trained_on") <= as_of).fill_null(True))
    if sites.is_empty():  # a register whose days can't be: the night says what is wrong with all of it
        return inputs
    return replace(inputs, registers=replace(registers, sites=sites, trainings=trainings))
