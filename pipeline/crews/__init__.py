"""How often crews' installs are wrong from the first day, fairly: the tables that the quality lead reads.

In: likelihoods of homes with the installs of crews, visits, trainings. Out: crew_quality and its relations
(`tables.py`): case mix (`casemix.py`), a crew's own rate drawn to the fleet's (`shrink.py`), funnel, changes by month,
what a training changed, what to teach. Open `tables.py` first, then `fleet.py`.
"""

from pipeline.crews.tables import VIEWS, crew_tables, view_rows

__all__ = ["VIEWS", "crew_tables", "view_rows"]
