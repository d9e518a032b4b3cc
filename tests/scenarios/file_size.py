"""Files that may not grow, as on a full disk."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def room_for(most: int) -> Iterator[None]:
    """No file of this process may grow beyond so many bytes, as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
