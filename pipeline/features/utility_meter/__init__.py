"""The utility's meter out of files, coarser than the readings and with a clock of its own, as evidence of scale.

In: table UTILITY (`ingest.utility`) and the store's site_hour of a shard's homes. Out: per home the sums that
site_window has of a meter in the rows (`kernels.meter`), by the hour instead of by the reading's interval
(`evidence.py`), with the meter's clock offset (`clock_offset.py`). `series.py` lays both on one grid.
Which days are looked at is `days.py`'s. Open `evidence.py` first.
"""
