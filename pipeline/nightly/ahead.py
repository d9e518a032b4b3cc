"""Rooms that later steps need, loaded beside the first steps, which mostly wait for the disk and for native code."""

from __future__ import annotations

import threading
from contextlib import suppress
from importlib import import_module


def load_ahead(*rooms: str) -> threading.Thread:
    """Begin to import these modules on a thread; a step that comes to one before it is there waits for it.

    What goes wrong here goes wrong again, and is said, where the module is needed.
    """
    thread = threading.Thread(target=_load, args=rooms, name="load ahead")
    thread.start()
    return thread


def _load(*rooms: str) -> None:
    for room in rooms:
        with suppress(Exception):
            import_module(room)
