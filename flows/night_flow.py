"""The night as a Prefect flow: the same steps as the command, each a task, with retries and artifacts.

Values pass from step to step in memory and are never hashed or stored; what a night is made from is on disk
already, so a failed flow is simply run again.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

from prefect import Flow, flow
from prefect.artifacts import create_markdown_artifact, create_table_artifact
from prefect.client.schemas.objects import FlowRun, State, TaskRun
from prefect.context import FlowRunContext
from prefect.logging.handlers import APILogHandler
from prefect.logging.loggers import flow_run_logger
from prefect.runtime import flow_run
from prefect.states import Failed
from prefect.tasks import Task

from flows import account
from flows.quiet_task import quiet_task
from pipeline.commands.console import night_text, show_night
from pipeline.commands.log_output import write_log_as
from pipeline.commands.options import OutputConsole
from pipeline.commands.progress import progress
from pipeline.core import clock
from pipeline.core.alarm import EXIT_STATUS, log_alarms, read
from pipeline.core.errors import InputError, NightclampError
from pipeline.core.event_log import LOG, SUMMARY_LOG, new_run_id
from pipeline.core.settings import Settings, load_settings
from pipeline.core.sharding import Executor
from pipeline.core.steps import P, Step, T, run_plainly
from pipeline.ingest.lake import open_lake
from pipeline.learning.train_due import train_if_due
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.storage.object_url import object_url

# Steps that touch the disk, where a share that was away for a moment is back later: seconds before each new
# try. The others only compute, or, as publishing does, rename: there a second try has nothing to gain.
RETRY_AFTER_S = {
    Step.OPEN_LAKE: [10.0, 60.0],
    Step.TAKE_IN: [30.0, 120.0],
    Step.READ_METERS: [30.0, 120.0],
    Step.WRITE_TABLES: [10.0, 60.0],
    Step.DRAW_REPORT: [10.0, 60.0],
}

# With a cluster the task runs of these steps are its batches: a task of the whole step would hold all its arguments.
SPREAD = (Step.TAKE_IN, Step.READ_METERS, Step.LOOK_AT_WINDOW, Step.SCORE_HOMES)


# The run's log at the server has the night's own events and its text too.
_RUN_LOG = APILogHandler()
_RUN_LOG.addFilter(lambda record: FlowRunContext.get() is not None)
if not any(isinstance(handler, APILogHandler) for handler in LOG.handlers):
    LOG.addHandler(_RUN_LOG)


class PublishedWithAlarm(NightclampError):
    """A night that is published in `folder` (or at that address), with an alarm."""

    exit_status = EXIT_STATUS

    def __init__(self, line: str, folder: str) -> None:
        """Keep the line and the folder of the run."""
        super().__init__(line)
        self.folder = folder


def say_failure(flow: Flow[..., Any], flow_run: FlowRun, state: State[Any]) -> None:
    """Log the state's line: a failure hook of the flow, to which others can be added."""
    flow_run_logger(flow_run, flow).error(state.message)


def is_worth_retrying(task: Task[..., Any], task_run: TaskRun, state: State[Any]) -> bool:
    """Return False where the input is wrong: it is as wrong on the next try."""
    return not isinstance(state.data, InputError)


def as_task(step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Run one step of the night as a task run of that name; what it raises is raised here."""

    def run() -> T:
        return function(*args, **kwargs)

    return quiet_task(step.value, run, RETRY_AFTER_S.get(step, []), is_worth_retrying=is_worth_retrying)()


def as_task_or_spread(step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Run one step of a night on a cluster, whose batches are the task runs of that name."""
    run_step = run_plainly if step in SPREAD else as_task
    return run_step(step, function, *args, **kwargs)


@contextmanager
def cluster_of(dask: str | None, request: NightRequest, settings: Settings) -> Iterator[Executor | None]:
    """Connect to the Dask scheduler at the address `dask`; None where the night has this machine only."""
    if dask is None:
        yield None
        return
    if object_url(request.out):
        raise InputError(
            f"--dask: {request.out} is an object store, and workers meet in the store of OUT; choose a folder that"
            " all machines share"
        )
    try:
        from flows.cluster import dask_executor
    except ImportError as error:
        raise InputError(f'--dask needs more packages: pip install "nightclamp[dask]" ({error})') from error
    with dask_executor(dask, request.lake, request.out, settings=settings) as executor:
        yield executor


def _place(path: str, dask: str | None) -> Path:
    """Return a folder's whole path where there are workers, which have another current folder."""
    return Path(path).resolve() if dask and not object_url(path) else Path(path)


def run_name() -> str:
    """Return "night of DATE", the as-of day of this flow run; without a date where the lake can't say it."""
    parameters: dict[str, Any] = flow_run.parameters
    try:
        day = parameters["as_of"] or open_lake(parameters["lake"]).newest_finished_day(clock.utc_now())
    except (NightclampError, OSError):
        return "night"
    return f"night of {day}"


@flow(name="nightclamp", flow_run_name=run_name, persist_result=False, on_failure=[say_failure])
def nightly(
    lake: str,
    out: str,
    as_of: date | None = None,
    window_days: int = 30,
    dask: str | None = None,
    make_latest: bool = False,
) -> Any:
    """Publish one night of LAKE in OUT; the flow run fails with one line where the command would.

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) with sites, crews, visits and intervals/date=YYYY-MM-DD/.
    out
        Folder (or s3://bucket/prefix) where runs, `latest` and the store of day statistics are kept.
    as_of
        UTC day to judge; the newest in the lake that is over if not given.
    window_days
        How many days up to then speak.
    dask
        Address of a Dask scheduler whose workers see `out`, and a `lake` that is a folder, under the same paths;
        without one the night is this machine's.
    make_latest
        OUT/latest leads to this night also if it leads to a later one now.

    Returns
    -------
    str
        The folder of the run, or its address.

    Raises
    ------
    InputError, NightFailed, OSError
        As the night does; the state's message is the error's line.
    PublishedWithAlarm
        The night is published, and something must be looked at: the flow run fails so that failure hooks and
        automations run. What it published stays.
    """
    try:
        settings = load_settings()
        write_log_as(settings.log.format)
        request = NightRequest(
            _place(lake, dask),
            _place(out, dask),
            as_of,
            window_days,
            make_latest=make_latest,
            run_id=flow_run.id or new_run_id(),
        )
        console = OutputConsole()
        with cluster_of(dask, request, settings) as executor, progress(console) as tell:
            run_step = as_task_or_spread if executor else as_task
            result = run_night(request, settings, run_step, tell=tell, executor=executor)
    except (NightclampError, OSError) as error:
        return Failed(message=" ".join(str(error).split()), data=error)
    alarms = read(result.alarm)
    log_alarms(alarms)
    show_night(console, result, account.TOP_ROWS, lines=alarms)
    SUMMARY_LOG.info("%s", night_text(result, account.TOP_ROWS, alarms))
    create_table_artifact(
        account.top_rows(result), key="nightclamp-list", description=f"Most worth a revisit, {result.as_of}"
    )
    create_markdown_artifact(
        account.night_account(result, alarms),
        key="nightclamp-night",
        description=f"The night of {result.as_of}",
    )
    if result.is_latest and (
        line := train_if_due(request.lake, request.out, result.folder, as_of=result.as_of, settings=settings)
    ):
        LOG.info("%s", line)
        console.print(line, highlight=False, markup=False, soft_wrap=True)
    if line := account.alarm_line(result, alarms):
        return Failed(message=line, data=PublishedWithAlarm(line, result.published))
    return result.published
