"""The night: its steps in order, its record, and its alarms.

In: a `NightRequest` (`night_inputs.py`): lake, OUT, as-of day. Out: OUT/runs/DATE published and `latest` turned
(`run.py`), with every table (`build_tables.py`), the rejects, run.json (`run_record.py`) and alarms (`monitor.py`).
The command and the flow run the same steps. Open `run.py` first, then `build_tables.py`.

>>> from pipeline.core.steps import Step
>>> [str(step) for step in Step][:3]
['open the lake', 'take in the days', "read the utility's meters"]
"""
