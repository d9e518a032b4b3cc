"""Worker processes of a study, and how they end when the user stops the command."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


@contextmanager
def processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool of processes; where the work in the block is broken off they are ended at once."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_ignore_ctrl_c)
    try:
        yield pool
    except BaseException:
        for child in multiprocessing.active_children():
            child.terminate()
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    pool.shutdown()


def map_tasks(function: Callable[[Task], Result], tasks: Sequence[Task], workers: int) -> Iterator[Result]:
    """Return the results in the order of the tasks; with one worker all is done in this process."""
    if workers <= 1:
        yield from map(function, tasks)
        return
    with processes(workers) as pool:
        yield from pool.map(function, tasks, chunksize=max(1, min(10, len(tasks) // (8 * workers))))


def _ignore_ctrl_c() -> None:
    """Leave Ctrl-C to the process that started this one, which then ends it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
