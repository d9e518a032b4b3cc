"""Work orders: one printable sheet a home, for a site visit or a remote fix, with a form for its record.

In: the night's published tables (`tables.py`) and the catalogue of faults. Out: OUT/orders/DATE, a page a home, also
as PDF (`write.py`): where to go, cautions, earlier visits, what to bring, the test by a known load with what must be
read (`load_test.py`, `expectations.py`), or what a remote fix changes (`office.py`), and the record to fill in
(`visit_record.py`), on paper or on a phone (`visit_form.py`); for a safety call its call sheet (`safety_sheet.py`).
Open `build.py` first, then `order.py`.

>>> from pipeline.core.settings import load_settings
>>> from pipeline.workorder.load_test import Install, right_response
>>> install = Install("120/240", sees_pv=True, cts_per_leg=1, pv_added_back=False, has_pv=True)
>>> right_response(install, load_settings().orders).low[0].round().tolist()  # load on leg 1: l1, l2, pv
[1500.0, 0.0, 0.0]
"""

from pipeline.workorder.write import write_orders

__all__ = ["write_orders"]
