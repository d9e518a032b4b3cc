"""Faults injected into real measured homes, and what is hard about real homes, through the pipeline's own steps."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.validation.judged import pool
from pipeline.evaluation.validation.reading import judge_as_of, read_lake
from pipeline.evaluation.validation.real_hard import KINDS
from pipeline.evaluation.validation.real_homes import STARTS, windows, write_real_lake
from pipeline.faults.catalogue import CATALOGUE
from pipeline.scoring.model import Model


def injections(start: int) -> list[tuple[str, str, int]]:
    """Return (fault, leg, seed) for the homes of one start: every fault on every leg it can have, own severities."""
    every = [(name, leg) for name, fault in CATALOGUE.items() for leg in fault.legs_on("120/240")]
    return [(name, leg, 1000 * start + at + 1) for at, (name, leg) in enumerate(every)]


def real_homes(
    folder: Path,
    model: Model,
    settings: Settings,
    with_volts: bool,
    most_starts: int = len(STARTS),
    is_kept: bool = False,
    tell: Callable[[str], None] = lambda line: None,
) -> pl.DataFrame:
    """Return `judge`'s frame of the homes of real measurements, all starts ranked as one.

    Each window of 30 days is there untouched, once a hard negative, and once a fault and leg of the catalogue. A lake
    a start is written into `folder`, and deleted when scored unless `is_kept`.
    """
    parts = []
    for number, start in enumerate(STARTS[:most_starts], start=1):
        root = folder / f"real-{start}-{'volts' if with_volts else 'power'}"
        tell(f"real homes from {start}, {'with' if with_volts else 'without'} leg voltages")
        hard = [(kind, 100 * number + at) for at, kind in enumerate(KINDS)]
        write_real_lake(root, injections(number), windows(start), with_volts, hard)
        reading = read_lake(root, folder / f"work-{root.name}", settings)
        parts.append(judge_as_of(reading, reading.nights, model, settings))
        shutil.rmtree(reading.workdir)
        if not is_kept:
            shutil.rmtree(root)
    return pool(parts)
