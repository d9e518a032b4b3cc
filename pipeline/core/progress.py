"""A line of progress that counts: what shows it may draw a bar, or leave most of such lines out of a log."""

from __future__ import annotations


class Counted(str):
    """Text "WHAT, DONE of TOTAL THINGS" that keeps its two numbers."""

    __slots__ = ("done", "total")
    done: int
    total: int


def counted(what: str, done: int, total: int, things: str) -> Counted:
    """Return a line that says how many of `total` are done."""
    line = Counted(f"{what}, {done} of {total} {things}")
    line.done, line.total = done, total
    return line
