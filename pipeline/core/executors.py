"""Pieces of work on one machine, a few at once: each worker has a database of its own, and all share its memory."""

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
    """[engine] workers pieces at once, on this machine; a single piece is worked on with `con`."""

    con: duckdb.DuckDBPyConnection
    engine: EngineSettings

    @property
    def tables(self) -> TableStore:
        """Tables wait in memory."""
        return TableStore()

    @property
    def width(self) -> int:
        """How many pieces are of use at once."""
        return self.engine.workers

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], pieces: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each piece, in order; the first failure stops those not begun."""
        workers = min(self.engine.workers, len(pieces))
        if workers < 2:
            return SerialExecutor(self.con)(name, function, pieces)
        idle: SimpleQueue[duckdb.DuckDBPyConnection] = SimpleQueue()
        connections = [sql_runner.beside(self.con, self.engine) for _ in range(workers)]
        for connection in connections:
            idle.put(connection)

        def work(piece: U) -> R:
            connection = idle.get()
            try:
                return function(connection, piece)
            finally:
                idle.put(connection)

        pool = ThreadPoolExecutor(workers)
        try:
            return list(pool.map(work, pieces))
        finally:  # whoever stops the night doesn't wait for pieces that nobody has begun
            pool.shutdown(cancel_futures=True)
            for connection in connections:
                connection.close()
