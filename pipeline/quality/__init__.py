"""How often crews' installs are wrong from the first day, fairly: the tables that the quality lead reads."""

from pipeline.quality.tables import CrewInputs, crew_tables
from pipeline.quality.views import VIEWS, view_rows

__all__ = ["VIEWS", "CrewInputs", "crew_tables", "view_rows"]
