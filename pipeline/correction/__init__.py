"""Past readings put right: what a right install would have read while a fault was there, and the kWh that makes.

In: a lake, a published night. Out: OUT/corrected, rows in the contract's columns with what was done to them, a
statement a home and a fleet. Open `layout.py` first.
"""
