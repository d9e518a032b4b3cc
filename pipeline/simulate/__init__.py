"""Invented homes as circuits: loads, sun, services, faults and loggers, with the truth of each.

In: a seed and the kind of fleet (`spec.py`). Out: a lake with truth.csv (`lake.py`), or a fleet in memory
(`fleet.py`). Homes have one, two or three lines (`service_draws.py`). `families/` has three more ways to draw a
fleet, unlike the simulator's own, for training and validation.
Knows nothing of how faults are found. Open `home.py` first, then `lake.py`.

>>> from pipeline.simulate.spec import FleetSpec
>>> FleetSpec(sites=3, days=2, minutes=15, seed=1).sites
3
"""
