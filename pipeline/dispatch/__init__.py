"""From the list to days on the road: which truck goes to which homes, in which order, and why the rest is unscheduled.

In: a published night, trucks.csv, drive_times.csv. Out: OUT/dispatch/AS_OF, tables, calendars and a page a truck and
day (`run.py`). `plan.py` solves the days by the route solver, `problem.py` says them in its terms. Open `run.py` first;
`python -m pipeline.dispatch.instances` measures the solver on published instances.

>>> from pipeline.core.settings import load_settings
>>> from pipeline.dispatch.trucks import clock, equal_trucks
>>> [clock(truck.start_min) for truck in equal_trucks(load_settings().dispatch, (39.74, -104.99))]
['08:00', '08:00']
"""
