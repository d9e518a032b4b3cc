"""What each fault does: to the readings of a home, and what is to be done about it.

In: a home of one to three lines as a circuit (`circuit.py`), its CTs (`cts.py`), what its monitor then reports
(`reading.py`). Out: `catalogue.CATALOGUE`, by name: effect and inverse on readings, energy misread, what to do, bring,
show, beware of; `permutations.put_back`, readings of CTs on each other's lines put right; `kit.order_kit`, what to load
for a visit. One file a fault in `catalogue/`, found by discovery; adding one edits nothing else.
Open `types.py` first, then `catalogue/reversed.py`.

>>> from pipeline.faults.catalogue import CATALOGUE
>>> CATALOGUE["reversed"].remedy.fix_by
'visit'
"""
