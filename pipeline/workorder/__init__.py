"""Work orders: one printable sheet a home, for a truck or for the desk, from the night's published tables."""

from pipeline.workorder.write import write_orders

__all__ = ["write_orders"]
