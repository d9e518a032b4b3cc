"""Past readings put right: what a right install would have read while a fault was there, and the kWh that makes.

In: a lake, a published night. Out: OUT/corrected, rows in the contract's columns with what was done to each, with a low
and a high; a statement a home and a fleet, with pages for a customer-service desk. The lake is never touched. README.md
has the tables. Open `run.py` first for the days, `hypothesis.py` for how a fault is taken back, `findings.py` for which
homes, since when and how severe, `statement.py` for the kWh.

>>> from pipeline.correction.layout import CORRECTED, METHODS
>>> METHODS
('exact', 'estimated', 'as reported', 'empty')
>>> [name for name in CORRECTED if name.startswith("l1_w")]
['l1_w', 'l1_w_low', 'l1_w_high', 'l1_w_reported']
"""
