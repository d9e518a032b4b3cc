"""Processes beside this one, and how they end when the user stops the command."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager


@contextmanager
def processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool of processes; where the work in the block is broken off they are ended at once."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_leave_ctrl_c)
    try:
        yield pool
    except BaseException:
        for child in multiprocessing.active_children():
            child.terminate()
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


def _leave_ctrl_c() -> None:
    """Leave Ctrl-C to the process that started this one, which then ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
