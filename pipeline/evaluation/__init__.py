"""Studies whose truth is known: how far may the night be believed, and how fast is it?

In: fleets of `simulate` and measured homes. Out: printed tables and pages: `validation/` scores first nights on
fleets that training never saw, `policy_simulation/` lives half a year by the list, `crew_recovery/` holds crews'
rates against the truth, `benchmark.py` times a night. Open `validation/run.py` first; no night needs this package:
open `validation` to see what is measured.
"""
