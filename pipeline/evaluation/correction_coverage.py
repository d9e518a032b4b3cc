"""How well past readings are put right: corrected rows of invented fleets beside what right installs would have read.

A fleet goes through a night and `correct` as a user's does: which homes, which fault, since when and how severe is what
the night and the history say, wrong as they may be. Told per fault that is really there:

- `row_coverage`: share of corrected powers whose 95 % interval holds the truth;
- `kwh_coverage`: share of homes whose interval of the whole energy does;
- widths, and how far reported and corrected energy lie from the truth;
- `other_days`: corrected rows of days on which nothing was wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.settings import Settings
from pipeline.correction.findings import shipped_stages
from pipeline.correction.run import CorrectionRequest, correct_lake
from pipeline.correction.statement import home_energy
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.lake import write_lake
from pipeline.simulate.right_readings import right_readings
from pipeline.simulate.spec import FleetSpec

TOLERANCE_W = 0.05  # readings are written to a tenth of a watt
