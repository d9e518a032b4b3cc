"""Likelihoods, visits and yesterday become the ranked list and where every home stands.

In: site_scores (`scoring`), visits, the run of the night before (`carry_over.py`). Out: tables revisit_list
(`revisit_list.py`, ranked by `expected_value.py`), standing (`home_status.py`; listed or not, and why: `listing.py`),
home_story (`home_events.py`), whether a fix worked (`fix_verification.py`), and what the list promised against what
was found (`hit_rate.py`, `prediction_log.py`). Open `revisit_list.py` first, then `home_status.py`.
"""
