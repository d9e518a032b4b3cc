"""What the monitors of invented homes would have read if every install were right, before their loggers' noise."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from pipeline.faults.reading import Reading
from pipeline.simulate.families.build import build_street
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.fleet import draw_install, measure_home, site_id
from pipeline.simulate.spec import FleetSpec


def right_readings(spec: FleetSpec | UnlikeSpec) -> Iterator[pl.DataFrame]:
    """Yield for each home `site_id`, `interval_start`, `l1_w`, `l2_w`, `pv_w` [W] of every interval of the window.

    A home with three lines has `l3_w` too; `l2_w` of one with one line is 0.

    The fleet is one that needs no pool of households (not family "crest").
    """
    if isinstance(spec, FleetSpec):
        for number in range(spec.sites):
            install = draw_install(spec, number)
            window = install.home.plan.window
            reading = measure_home(install).right.averaged(window.steps_out)
            yield _frame(site_id(number), reading, np.datetime64(window.start, "us"), window.minutes)
        return
    places = areas(spec)
    for homes in draw_fleet(spec):
        for built in build_street(spec, homes, places):
            yield _frame(built.home.site_id, built.right, np.datetime64(spec.start, "us"), spec.minutes)


def _frame(site: str, reading: Reading, start: np.datetime64, minutes: int) -> pl.DataFrame:
    third = ("l3_w",) if reading.line_count == 3 else ()
    powers = {name: np.nan_to_num(getattr(reading, name)) for name in ("l1_w", "l2_w", *third, "pv_w")}
    starts = start + np.arange(powers["l1_w"].size) * np.timedelta64(minutes * 60, "s")
    frame = pl.DataFrame({"interval_start": starts, **powers})
    return frame.select(
        pl.lit(site).alias("site_id"), pl.col("interval_start").cast(pl.Datetime("us")), *powers
    )
