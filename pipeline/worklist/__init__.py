"""The ranked list, and each home's standing with it, from likelihoods, visits and the night before.

In: site_scores (`scoring`), the registers, the run of the night before. Out: the tables (`tables.py`) revisit_list
(`revisit_list.py`, ranked by `expected_value.py`), standing (`home_status.py`; listed or not, and why: `listing.py`),
safety_call (`safety_calls.py`: suspected loose neutrals, and what became of each), home_story (`home_events.py`),
whether a fix worked (`fix_verification.py`), and the prediction log with its hit rate (`prediction_log.py`,
`hit_rate.py`). Open `tables.py` first, then `home_status.py`.

>>> from pipeline.worklist.decision_curve import net_benefit
>>> round(net_benefit(8.0, 2.0, 100, threshold=0.2), 3)  # 8 true and 2 needless visits at 100 homes
0.075
"""
