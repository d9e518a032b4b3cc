"""Checked rows become one row a home and day, and these become one row a home.

In: table interval_used of a day (`ingest`). Out: site_day in OUT/store (`day_statistics.py`, `kernels/`, kept by
`day_store.py`), merged over each home's window (`aggregates/`) into site_signal (`window_features.py`), with the day
since when a home is as it is (`change_detection.py`) and what the utility's meter files say (`utility_meter/`). A home
with three lines has a row of each pair of them in line_day, and one row in site_signal (`line_pairs.py`).
Open `update_store.py` first, then `window.py`.

>>> from pipeline.core.settings import load_settings
>>> from pipeline.features.day_statistics import day_params
>>> day_params(load_settings().day, None)["noise_w"] > 0
True
"""
