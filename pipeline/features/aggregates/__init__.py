"""The days of a home merged over its span: sums of sums, medians of nights, slopes that one bad day can't carry.

Days stand side by side as grids (days, homes); every sum goes through them in the order of days, so what a home comes
to depends on its own days only, not on which homes are merged with it.
"""

from pipeline.features.aggregates.daily import daily_numbers
from pipeline.features.aggregates.days import HomeDays
from pipeline.features.aggregates.window import site_window

__all__ = ["HomeDays", "daily_numbers", "site_window"]
