"""Studies whose truth is known: how far a night may be believed, and how fast it is.

In: fleets of `simulate` and measured homes. Out: printed tables and pages: `validation/` scores first nights on
fleets that training never saw, `policy_simulation/` lives half a year by the list, `crew_recovery/` compares crews'
rates with the truth, `benchmark.py` times a night. No night needs this package. Open `validation`
first, its `run.py`.

>>> import polars as pl
>>> from pipeline.evaluation.validation.calibration import brier_score
>>> homes = pl.DataFrame({"likelihood": [0.9, 0.2], "is_true": [True, False], "weight": [1.0, 1.0]})
>>> round(brier_score(homes), 3)
0.025
"""
