"""Tasks of a night on a Dask cluster, through Prefect's task runner: batches of them, each a task run.

Only names of files and counts go through the scheduler; tables are kept on the storage that all machines share.
A task lost with its worker is done again by another one, and leaves the same files.
"""

import pickle
import tempfile
import uuid
from asyncio import CancelledError
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import TimeoutError as FutureTimeoutError
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

import duckdb
from distributed.comm.core import CommClosedError
from distributed.exceptions import WorkerStartTimeoutError
from distributed.scheduler import KilledWorker
from prefect.client.schemas.objects import State, TaskRun
from prefect.tasks import Task
from prefect_dask.task_runners import DaskTaskRunner
from threadpoolctl import threadpool_limits

from flows.quiet_task import quiet_task
from pipeline import __version__
from pipeline.core import sql_runner
from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.setting_sections import EngineSettings, ObjectStoreSettings
from pipeline.core.settings import Settings
from pipeline.core.sharding import TableStore
from pipeline.nightly.run_record import VERSIONS
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl, object_url

U = TypeVar("U")
R = TypeVar("R")
# Shared storage that was away for a moment is back later: seconds before each new try of a batch.
RETRY_AFTER_S = [10.0, 60.0]


def run_batch(batch: bytes) -> list[Any]:
    """Return what the function of a pickled batch makes of each task, on a worker, where DuckDB also spills."""
    function, engine, tasks = pickle.loads(batch)
    # As where the night began, and for good: other batches of this process may run at the same time.
    threadpool_limits(1, "blas")
    with (
        tempfile.TemporaryDirectory(prefix="nightclamp-") as scratch,
        sql_runner.connect(Path(scratch), engine) as con,
    ):
        return [function(con, task) for task in tasks]


def batches(tasks: Sequence[U], width: int, most: int) -> list[Sequence[U]]:
    """Return the tasks in about `width` batches of neighbours, none with more than `most`."""
    size = max(1, min(most, -(-len(tasks) // width)))
    return [tasks[start : start + size] for start in range(0, len(tasks), size)]


def is_worth_retrying(task: Task[..., Any], task_run: TaskRun, state: State[Any]) -> bool:
    """Return True where storage may have been away; what a task computes it computes again."""
    return isinstance(state.data, OSError)


@dataclass(frozen=True)
class DaskExecutor:
    """Hands tasks to the workers of a Dask cluster (a `pipeline.core.sharding.Executor`)."""

    runner: DaskTaskRunner
    address: str
    width: int
    tables: TableStore
    most: int
    engine: EngineSettings

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], tasks: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each task, in order.

        Raises
        ------
        NightFailed
            Workers keep dying over one batch, or the cluster went away.
        """
        if not tasks:
            return []
        step = quiet_task(name, run_batch, RETRY_AFTER_S, is_worth_retrying=is_worth_retrying)
        pickled = [
            pickle.dumps((function, self.engine, batch)) for batch in batches(tasks, self.width, self.most)
        ]
        try:
            futures = [self.runner.submit(step, {"batch": batch}) for batch in pickled]
            return [result for future in futures for result in future.result()]
        except KilledWorker as error:
            raise NightFailed(
                f"{name}: several workers of {self.address} died over one batch, perhaps for want of memory;"
                " lower [lake] homes_per_shard or [engine] memory_limit; nothing was published"
            ) from error
        except (CancelledError, CommClosedError, FutureTimeoutError) as error:
            raise NightFailed(
                f"{name}: the cluster {self.address} went away; nothing was published"
            ) from error


@contextmanager
def dask_executor(address: str, lake: Path, out: Path, *, settings: Settings) -> Iterator[DaskExecutor]:
    """Connect to a Dask scheduler for a night.

    Parameters
    ----------
    address
        Of the scheduler.
    lake, out
        Of the night; `out` is a folder that all machines share.
    settings
        [cluster], [engine] and [object_store] count.

    Raises
    ------
    InputError
        No scheduler or worker is there, or a worker does not see the folders or the lake's object store, or runs other
        versions.
    """
    cluster = settings.cluster
    folder = out / "store" / ".work" / f"tables-{uuid.uuid4().hex[:12]}"
    folder.mkdir(parents=True)
    with DaskTaskRunner(address=address, client_kwargs={"timeout": cluster.connect_s}) as runner:
        try:
            client = runner.client
            client.wait_for_workers(1, timeout=cluster.connect_s)
        except WorkerStartTimeoutError as error:
            raise InputError(f"--dask {address}: no worker; start `dask worker {address}`") from error
        except (OSError, ValueError) as error:
            reason = " ".join(str(error).split())[:200]
            raise InputError(f"--dask {address}: no Dask scheduler answers there ({reason})") from error
        url = object_url(lake)
        folders, store = (
            ((folder,), StoredLake(url, settings.object_store)) if url else ((lake, folder), None)
        )
        _check_alike(client.run(worker_facts, folders, store, on_error="return"), address)
        width = sum(client.nthreads().values()) * cluster.tasks_per_thread
        yield DaskExecutor(runner, address, width, TableStore(folder), cluster.most_pieces, settings.engine)


@dataclass(frozen=True)
class StoredLake:
    """A lake in an object store; each worker has credentials of its own, none are sent to it."""

    url: ObjectUrl
    settings: ObjectStoreSettings

    def refusal(self) -> str:
        """Return why the lake can't be listed from here, in one line; empty if it can."""
        try:
            Bucket(self.url, self.settings).level()
        except NightclampError as error:
            return str(error)
        return ""


def worker_facts(folders: Sequence[Path], store: StoredLake | None = None) -> dict[str, str]:
    """Return the versions of what decides a night's last digits, and what of folders and lake is not seen from here."""
    unseen = next((str(folder) for folder in folders if not folder.is_dir()), "")
    return {
        "nightclamp": __version__,
        **{name: version(name) for name in VERSIONS},
        "unseen": unseen,
        "refused": store.refusal() if store else "",
    }


def _check_alike(workers: dict[str, Any], address: str) -> None:
    here = worker_facts(())
    for worker, facts in sorted(workers.items()):
        if isinstance(facts, BaseException):
            raise InputError(
                f"--dask {address}: worker {worker} lacks what is here ({type(facts).__name__}: {facts});"
                " install nightclamp[dask] there"
            )
        if facts["unseen"]:
            raise InputError(
                f"--dask {address}: worker {worker} does not see {facts['unseen']};"
                " lake and OUT must lie on storage that every machine has under the same path"
            )
        if facts["refused"]:
            raise InputError(f"--dask {address}: worker {worker}: {facts['refused']}")
        other = [f"{name} {facts[name]}, here {here[name]}" for name in here if facts[name] != here[name]]
        if other:
            raise InputError(f"--dask {address}: worker {worker} has {'; '.join(other)}; install the same")
