"""How often crews' installs are wrong from the first day, fairly compared: the tables of the quality lead.

In: likelihoods of homes, and the registers of homes, crews, visits and trainings. Out: crew_quality and its relations
(`tables.py`): case mix (`casemix.py`), a crew's small-sample adjusted rate (`shrink.py`), control limits, change
points, effects of trainings, lessons. Open `tables.py` first, then `fleet.py`.

>>> import numpy as np
>>> from pipeline.crews.funnel import outside_from
>>> outside_from(0.975, np.array([20.0, 200.0]), 0.1).round(3)  # the upper limit of a crew narrows with its installs
array([0.253, 0.144])
"""

from pipeline.crews.tables import VIEWS, crew_tables, view_rows

__all__ = ["VIEWS", "crew_tables", "view_rows"]
