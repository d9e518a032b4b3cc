"""The pages for people, static, opened from disk.

In: the night's tables as a `ReportInput` (`report_input.py`); no file is read and no clock. Out: index, list, homes,
crews, visits and normal pages as HTML with their charts; `page_templates.py` is how every page of the project is
made. Open `write.py` first; a page's words and order stand in its own `*_page.py` and in templates/.

>>> from pipeline.report import words
>>> words.suspicion("legs_crossed", "both"), words.minutes(90), words.count(2, "visit")
("CTs on each other's legs, both legs", '1 h 30 min', '2 visits')
"""

from pipeline.report.report_input import FaultCard, NightCounts, ReportInput
from pipeline.report.write import write_report

__all__ = ["FaultCard", "NightCounts", "ReportInput", "write_report"]
