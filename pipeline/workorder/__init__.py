"""Work orders: one printable sheet a home, for a truck or for the desk.

In: the night's published tables (`tables.py`) and the catalogue of faults. Out: OUT/orders/DATE, a page a home, also
as PDF (`write.py`): cautions, what to bring, the test by a known load with what must be read (`trial.py`,
`expectations.py`), or what the desk can change (`office.py`). Open `build.py` first, then `order.py`.
"""

from pipeline.workorder.write import write_orders

__all__ = ["write_orders"]
