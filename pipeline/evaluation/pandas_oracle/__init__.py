"""A day's statistics as they are usually written: pandas frames, diff, masks and group-by. For the bench only.

Every column of site_day and the means of site_hour, of tidy rows; no row is checked.
"""

from __future__ import annotations

from pipeline.evaluation.pandas_oracle.day import day_features
from pipeline.evaluation.pandas_oracle.differ import differing
from pipeline.evaluation.pandas_oracle.rows import sun_of_day

__all__ = ["day_features", "differing", "sun_of_day"]
