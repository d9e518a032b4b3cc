"""Worker processes of a command, and how they end when the user stops it."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.context import SpawnContext, SpawnProcess
from typing import TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


class _Worker(SpawnProcess):
    """A process that Ctrl-C doesn't reach, from its very first moment: the one that started it ends it."""

    def start(self) -> None:
        """Start it with SIGINT blocked, which a process inherits."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            super().start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Workers(SpawnContext):
    Process = _Worker


@contextmanager
def processes(count: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool of processes; where the work in the block is broken off they are ended at once."""
    pool = ProcessPoolExecutor(count, mp_context=_Workers())
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
