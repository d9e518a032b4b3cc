"""Training: homes whose truth is known -> a `scoring.model.Model`.

In: fleets of four families (`lessons.py`) or a user's own lake with faults injected and visits as labels
(`fleet_training_set.py`). Out: the shipped model (`lessons.train`), or a fleet's own (`train_fleet.train_own`) with
how it did against the shipped one (`model_comparison.py`). No night needs this package; open `training.py` first.

>>> import numpy as np
>>> from pipeline.learning.base_rate import base_rate
>>> base_rate(np.full(20, 0.5), np.arange(20) < 4, 0.1, prior_rate=0.1, prior_homes=10, slope_sd=0.2).found
4
"""
