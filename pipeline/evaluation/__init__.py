"""Studies whose truth is known: how far a night may be believed, and how fast it is.

In: fleets of `simulate` and measured homes. Out: printed tables and pages: `validation/` scores first nights on
fleets that training never saw, `policy_simulation/` lives half a year by the list, `crew_recovery/` holds crews'
rates against the truth, `benchmark.py` times a night. No night needs this package. Open `validation`
first, its `run.py`.
"""
