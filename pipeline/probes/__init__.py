"""Probes: each physical quantity that a home's data tell of its CTs, as one estimate with an error, said once.

In: table site_signal (a home a row). Out: `PROBES`, the catalogue; `measured.measure` gives every quantity with its
standard error, `probe_table` the table `probe`. Nothing here knows of faults or weights: what a quantity is, what it is
at a right install and which way a fault moves it. Open `probe.py`, then any probe. `line_rows.py` says how homes of
three lines are read, pair by pair, and `wirings.py` which CT may be on which line.

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
from pipeline.probes.wiring import WIRING
from pipeline.probes.zeros import ZEROS

PROBES = (
    SUN, PHASE, NIGHTS, DAYLIGHT, PRODUCTION, ZEROS, FLOORS, LEAKS, MIRROR, PAIRS, SAG, METER, REGISTER, WIRING,
)  # fmt: skip
NAMES = tuple(probe.name for probe in PROBES)


def probes_of(line_count: int) -> tuple[Probe, ...]:
    """Return the probes that are asked of homes with so many lines; those of two are the first of those of three."""
    return tuple(probe for probe in PROBES if probe.least_lines <= line_count)


def names_of(line_count: int) -> tuple[str, ...]:
    """Return the names of `probes_of`."""
    return tuple(probe.name for probe in probes_of(line_count))


__all__ = ["NAMES", "PROBES", "Probe", "Quantity", "names_of", "probes_of"]
