"""Training: homes whose truth is known -> a `scoring.model.Model`.

In: fleets of four families (`lessons.py`) or a user's own lake with faults injected and visits as labels
(`fleet_training_set.py`). Out: the shipped model (`training.train`), or a fleet's own (`train_fleet.train_own`) with
how it fared against the shipped one (`model_comparison.py`). No night needs this room; open `training.py` first.
"""
