"""From the list to days on the road: which truck goes to which homes, in which order, and why the rest waits.

In: a published night, trucks.csv, drive_times.csv. Out: OUT/dispatch/AS_OF, tables and a page a truck and day
(`run.py`). `plan.py` solves the days by the route solver, `problem.py` says them in its terms. Open `run.py` first;
`python -m pipeline.dispatch.instances` measures the solver on published instances.
"""
