"""Tasks on one machine, a few at once: each worker has a database of its own, and all share its memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from queue import SimpleQueue
from typing import TypeVar

import duckdb

from pipeline.core import sql_runner
from pipeline.core.setting_sections import EngineSettings
from pipeline.core.sharding import SerialExecutor, TableStore

U = TypeVar("U")
R = TypeVar("R")


@dataclass(frozen=True)
class ThreadExecutor:
    """[engine] workers tasks at once, on this machine; a single task is worked on with `con`."""

    con: duckdb.DuckDBPyConnection
    engine: EngineSettings

    @property
    def tables(self) -> TableStore:
        """Tables wait in memory."""
        return TableStore()

    @property
    def width(self) -> int:
        """How many tasks are of use at once."""
        return self.engine.workers

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], tasks: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each task, in order; the first failure stops those not begun."""
        workers = min(self.engine.workers, len(tasks))
        if workers < 2:
            return SerialExecutor(self.con)(name, function, tasks)
        idle: SimpleQueue[duckdb.DuckDBPyConnection] = SimpleQueue()
        connections = [sql_runner.beside(self.con, self.engine) for _ in range(workers)]
        for connection in connections:
            idle.put(connection)

        def work(task: U) -> R:
            connection = idle.get()
            try:
                return function(connection, task)
            finally:
                idle.put(connection)

        pool = ThreadPoolExecutor(workers)
        try:
            return list(pool.map(work, tasks))
        finally:  # whoever stops the night doesn't wait for tasks that nobody has begun
            pool.shutdown(cancel_futures=True)
            for connection in connections:
                connection.close()
