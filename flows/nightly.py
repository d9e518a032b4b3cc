"""Runs the flow once, or every night on a cron until it is stopped: `python -m flows.nightly`."""

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from datetime import date
from http import HTTPStatus
from http.client import HTTPException
from pathlib import Path
from urllib.error import HTTPError
from urllib.parse import urlsplit
from urllib.request import urlopen
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import cyclopts
from cyclopts import App
from prefect.schedules import Cron, Schedule
from prefect.settings import PREFECT_API_URL, temporary_settings
from rich.console import Console

from flows.night_flow import PublishedWithAlarm, nightly
from pipeline.commands import stopping
from pipeline.commands.log_output import write_log_as
from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.event_log import TEXT
from pipeline.ingest.lake import open_lake
from pipeline.nightly.night_inputs import NightRequest
from pipeline.storage.object_url import object_url

LOOPBACK = "127.0.0.1"
PORT = 4200
START_S = 120
ANSWER_S = 10
app = App(name="python -m flows.nightly", help="Runs the night as a Prefect flow, once or on a cron.")


@app.default
def start(
    *,
    lake: Path,
    out: Path = Path("nightclamp-out"),
    as_of: date | None = None,
    window_days: int = NightRequest.window_days,
    once: bool = False,
    cron: str = "30 3 * * *",
    timezone: str = "UTC",
    name: str = "nightly",
    dask: str | None = None,
    make_latest: bool = False,
) -> None:
    """Run the night as a flow, once or on a cron; it prints what `nightclamp nightly` prints.

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) with sites, crews, visits and intervals/date=YYYY-MM-DD/.
    out
        Folder (or s3://bucket/prefix) where runs, `latest` and the store of day statistics are kept.
    as_of
        UTC day to judge; the newest in the lake that is over if not given. Only with --once.
    window_days
        How many days up to then speak.
    once
        Run one night now and stop.
    cron
        When to run: minute, hour, day of month, month, day of week.
    timezone
        IANA name of the time zone the cron is in.
    name
        What the schedule is called on the server; one a lake.
    dask
        Address of a Dask scheduler, such as tcp://HOST:8786, that shares the work out to its workers; they see lake
        and out under the same paths.
    make_latest
        OUT/latest leads to this night also if it leads to a later one now. Only with --once.
    """
    console = Console()

    def tell(line: str) -> None:
        console.print(line, highlight=False, markup=False, soft_wrap=True)

    if (api_url := PREFECT_API_URL.value()) and not _answers(api_url):
        raise NightFailed(f"PREFECT_API_URL {api_url}: no server answers; start it, or unset the variable")
    if dask and not api_url and (urlsplit(dask).hostname or dask) not in (LOOPBACK, "localhost"):
        raise InputError(
            f"--dask {dask}: set PREFECT_API_URL to a server that the workers reach; see `prefect server start`"
        )
    if once:
        try:
            # Without a server each worker would start one of its own.
            with scheduling_server() if dask else nullcontext():
                nightly(str(lake), str(out), as_of, window_days, dask, make_latest)
        except PublishedWithAlarm as alarm:  # said with the list, as the command says it
            sys.exit(alarm.exit_status)
        return
    if make_latest:
        raise InputError("--make-latest: goes with --once; on a cron each night takes the newest day")
    if as_of is not None:
        raise InputError(f"--as-of {as_of}: goes with --once; on a cron each night takes the newest day")
    schedule = nightly_schedule(cron, timezone)
    open_lake(lake)
    with scheduling_server():
        tell(f"cron {cron!r}, {timezone}; watch at {str(PREFECT_API_URL.value()).removesuffix('/api')}")
        nightly.serve(
            name=name,
            schedule=schedule,
            parameters={"lake": _whole(lake), "out": _whole(out), "window_days": window_days, "dask": dask},
            paused=False,
            limit=1,
            global_limit=1,
            print_starting_message=False,
        )


def _whole(place: Path) -> str:
    """Return a folder's whole path, or an object store's address."""
    return str(object_url(place) or place.resolve())


def nightly_schedule(cron: str, timezone: str) -> Schedule:
    """Return the schedule.

    Raises
    ------
    InputError
        The cron or the time zone is not one.
    """
    try:
        ZoneInfo(timezone)
    except (ValueError, ZoneInfoNotFoundError) as error:
        raise InputError(f"--timezone {timezone!r}: not an IANA name such as America/Denver") from error
    try:
        return Cron(cron, timezone=timezone)
    except ValueError as error:
        raise InputError(f"--cron {cron!r}: {error}; give five fields such as '30 3 * * *'") from error


@contextmanager
def scheduling_server() -> Iterator[None]:
    """Provide a server that schedules: PREFECT_API_URL's, one that answers at PORT on loopback, or our own.

    A flow's in-process server does not schedule. Our own ends with this.

    Raises
    ------
    NightFailed
        Our own server ended or did not answer within START_S seconds.
    """
    if PREFECT_API_URL.value():
        yield
        return
    url, server = _url(PORT), None
    if not _answers(url):
        port = PORT if _is_free(PORT) else _free_port()
        url, server = _url(port), _start_server(port)
    try:
        until = time.monotonic() + START_S
        while not _answers(url):
            if time.monotonic() > until or (server and server.poll() is not None):
                raise NightFailed(f"{url}: the scheduling server did not start; see `prefect server start`")
            time.sleep(0.5)
        os.environ["PREFECT_API_URL"] = url  # the flow runs are processes of their own
        with temporary_settings({PREFECT_API_URL: url}):
            yield
    finally:
        os.environ.pop("PREFECT_API_URL", None)
        if server:
            server.terminate()
            server.wait()


def _start_server(port: int) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "prefect", "server", "start", "--host", LOOPBACK, "--port", str(port)]
    # In a session of its own, so that Ctrl-C reaches the runner first, which still tells the server.
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, start_new_session=True)


def _url(port: int) -> str:
    return f"http://{LOOPBACK}:{port}/api"


def _answers(url: str) -> bool:
    """Whether a server is there, if only to say that it wants to know who asks."""
    try:
        with urlopen(f"{url}/health", timeout=ANSWER_S):
            return True
    except HTTPError as error:
        return error.code in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN)
    except (OSError, HTTPException, ValueError):
        return False


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex((LOOPBACK, port)) != 0


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def main(tokens: Sequence[str] | None = None) -> None:
    """Run the command line; a known error is one line on stderr, exit status as the nightclamp command's."""
    write_log_as(os.environ.get("NIGHTCLAMP_LOG__FORMAT", TEXT))
    try:
        app(tokens, exit_on_error=False, print_error=False)
    except cyclopts.CycloptsError as error:
        _stop(str(error), 2)
    except NightclampError as error:
        _stop(str(error), error.exit_status)
    except KeyboardInterrupt:
        _stop("stopped", 1)
    except OSError as error:
        _stop(f"{type(error).__name__}: {error}; nothing was published", 1)


def _stop(line: str, status: int) -> None:
    stopping.say(" ".join(line.split()))
    sys.exit(status)


if __name__ == "__main__":
    main()
