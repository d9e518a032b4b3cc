"""Features to likelihoods: what each home's probes say against what is normal in its own fleet.

In: table site_signal of the whole fleet and a `Model`. Out: table site_scores (likelihood, verdict, fault, leg, since
when, why), `fleet_normal` (what is normal here) and `site_weight` (what each probe adds). `normal.py` learns the
fleet's own spread, `design.py` lays probes out for `trees.py`, `model.py` turns them into likelihoods,
`contradiction.py` and `innocent.py` keep a verdict honest; open `score_homes.py` first.

>>> from pipeline.scoring.sentences import odds_words
>>> odds_words(6.8, "a fault", "a sound install")
'898 to 1 for a fault'
"""
