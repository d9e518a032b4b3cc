"""The report for people: static pages from the night's tables, opened from disk."""

from pipeline.report.model import FaultCard, NightCounts, ReportInput
from pipeline.report.write import write_report

__all__ = ["FaultCard", "NightCounts", "ReportInput", "write_report"]
