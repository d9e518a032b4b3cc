"""The source of a package's modules, for digests that tell whether what was made by it is stale."""

from __future__ import annotations

from importlib.resources.abc import Traversable


def sources(package: Traversable) -> bytes:
    """Return all modules of a package's folder, one after the other in the order of their names."""
    rooms = sorted(package.iterdir(), key=lambda room: room.name)
    return b"".join(room.read_bytes() for room in rooms if room.name.endswith(".py"))
