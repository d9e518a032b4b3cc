"""A night's pieces on a Dask cluster, through Prefect's task runner: batches of pieces, each a task run.

Only names of files and counts go through the scheduler; tables wait on the storage that all machines share.
A task that a worker took with it is done again by another one, and leaves the same files.
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


def work_off(batch: bytes) -> list[Any]:
    """Carry out a batch on a worker: a function, its settings, the pieces; what DuckDB spills stays here."""
    function, engine, pieces = pickle.loads(batch)
    # As where the night began, and for good: other batches of this process may be at it at the same time.
    threadpool_limits(1, "blas")
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as spill:
        con = sql_runner.connect(Path(spill), engine)
        try:
            return [function(con, piece) for piece in pieces]
        finally:
            con.close()


def batches(pieces: Sequence[U], width: int, most: int) -> list[Sequence[U]]:
    """Deal the pieces to about `width` batches of neighbours, none with more than `most`."""
    size = max(1, min(most, -(-len(pieces) // width)))
    return [pieces[at : at + size] for at in range(0, len(pieces), size)]


def is_worth_retrying(task: Task[..., Any], task_run: TaskRun, state: State[Any]) -> bool:
    """Return True where storage may have been away; what a piece computes it computes again."""
    return isinstance(state.data, OSError)


@dataclass(frozen=True)
class DaskExecutor:
    """Hands pieces to the workers of a Dask cluster (a `pipeline.core.sharding.Executor`)."""

    runner: DaskTaskRunner
    address: str
    width: int
    tables: TableStore
    most: int
    engine: EngineSettings

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], pieces: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each piece, in order.

        Raises
        ------
        NightFailed
            Workers keep dying over one batch, or the cluster went away.
        """
        dealt = batches(pieces, self.width, self.most)
        if not dealt:
            return []
        step = quiet_task(name, work_off, RETRY_AFTER_S, is_worth_retrying)
        sent = [pickle.dumps((function, self.engine, batch)) for batch in dealt]
        try:
            futures = [self.runner.submit(step, {"batch": one}) for one in sent]
            return [made for future in futures for made in future.result()]
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
def dask_executor(address: str, lake: Path, out: Path, settings: Settings) -> Iterator[DaskExecutor]:
    """Connect to the scheduler at `address` for a night of `lake` in `out`.

    Raises
    ------
    InputError
        No scheduler or worker is there, or a worker does not see the folders or the lake's object store, or runs other
        versions.
    """
    own = settings.cluster
    folder = out / "store" / ".work" / f"tables-{uuid.uuid4().hex[:12]}"
    folder.mkdir(parents=True)
    with DaskTaskRunner(address=address, client_kwargs={"timeout": own.connect_s}) as runner:
        try:
            client = runner.client
            client.wait_for_workers(1, timeout=own.connect_s)
        except WorkerStartTimeoutError as error:
            raise InputError(f"--dask {address}: no worker; start `dask worker {address}`") from error
        except (OSError, ValueError) as error:
            told = " ".join(str(error).split())[:200]
            raise InputError(f"--dask {address}: no Dask scheduler answers there ({told})") from error
        url = object_url(lake)
        seen, store = ((folder,), Asked(url, settings.object_store)) if url else ((lake, folder), None)
        _hold_alike(client.run(what_it_has, seen, store, on_error="return"), address)
        threads = sum(client.nthreads().values())
        yield DaskExecutor(
            runner,
            address,
            threads * own.tasks_per_thread,
            TableStore(folder),
            own.most_pieces,
            settings.engine,
        )


@dataclass(frozen=True)
class Asked:
    """A lake in an object store and how it is asked; each worker has credentials of its own, none are sent to it."""

    url: ObjectUrl
    own: ObjectStoreSettings

    def refusal(self) -> str:
        """Return why the lake can't be listed from here, in one line; empty if it can."""
        try:
            Bucket(self.url, self.own).level()
        except NightclampError as error:
            return str(error)
        return ""


def what_it_has(folders: Sequence[Path], store: Asked | None = None) -> dict[str, str]:
    """Return the versions of what decides a night's last digits, and what of folders and lake is not seen from here."""
    unseen = next((str(folder) for folder in folders if not folder.is_dir()), "")
    return {
        "nightclamp": __version__,
        **{name: version(name) for name in VERSIONS},
        "unseen": unseen,
        "refused": store.refusal() if store else "",
    }


def _hold_alike(workers: dict[str, Any], address: str) -> None:
    here = what_it_has(())
    for worker, told in sorted(workers.items()):
        if isinstance(told, BaseException):
            raise InputError(
                f"--dask {address}: worker {worker} lacks what is here ({type(told).__name__}: {told});"
                " install nightclamp[dask] there"
            )
        if told["unseen"]:
            raise InputError(
                f"--dask {address}: worker {worker} does not see {told['unseen']};"
                " lake and OUT must lie on storage that every machine has under the same path"
            )
        if told["refused"]:
            raise InputError(f"--dask {address}: worker {worker}: {told['refused']}")
        other = [f"{name} {told[name]}, here {here[name]}" for name in here if told[name] != here[name]]
        if other:
            raise InputError(f"--dask {address}: worker {worker} has {'; '.join(other)}; install the same")
