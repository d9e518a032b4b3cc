"""Probes: each physical quantity that a home's data tell of its CTs, as one estimate with an error, said once.

In: table site_signal (a home a row). Out: `PROBES`, the catalogue; `measured.measure` gives every quantity with its
standard error, `probe_table` the table `probe`. Nothing here knows of faults or weights: what a quantity is, what it is
at a right install and which way a fault moves it. Open `probe.py`, then any probe.

>>> from pipeline.probes.measured import all_quantities
>>> next(all_quantities())[0]
'sun.gain'
"""

from pipeline.probes.daylight import DAYLIGHT, PRODUCTION
from pipeline.probes.legs import LEAKS, MIRROR, PAIRS, SAG
from pipeline.probes.meter import METER
from pipeline.probes.nights import FLOORS, NIGHTS
from pipeline.probes.probe import Probe, Quantity
from pipeline.probes.register import REGISTER
from pipeline.probes.sun import PHASE, SUN
from pipeline.probes.zeros import ZEROS

PROBES = (
    SUN, PHASE, NIGHTS, DAYLIGHT, PRODUCTION, ZEROS, FLOORS, LEAKS, MIRROR, PAIRS, SAG, METER, REGISTER,
)  # fmt: skip
NAMES = tuple(probe.name for probe in PROBES)

__all__ = ["NAMES", "PROBES", "Probe", "Quantity"]
