"""The command `nightclamp`: exit status 0 done, 1 failed and nothing published, 2 wrong use or input, 3 an alarm.

With 3 the night is published all the same (pipeline/core/alarm.py).
"""

from __future__ import annotations

import gc
import io
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import cyclopts
import duckdb
import polars as pl
from cyclopts import App
from rich.console import Console

from pipeline import __version__
from pipeline.commands.options import OUT, SettingsFile
from pipeline.core.errors import NightclampError
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line, printable

app = App(
    name="nightclamp",
    version=__version__,
    help="Finds CT install faults in the interval data of homes with solar.",
)


@app.command
def nightly(
    lake: Path,
    *,
    out: Path = OUT,
    as_of: date | None = None,
    window_days: int = 30,
    model: Path | None = None,
    rows: int = 15,
    settings: SettingsFile = None,
) -> None:
    """Read the lake's new days, score every home and publish the ranked revisit list; exit status 3 with an alarm.

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) with sites, crews, visits and intervals/date=YYYY-MM-DD/.
    out
        Folder (or s3://bucket/prefix) where runs, `latest` and the store of day statistics are kept.
    as_of
        Last whole UTC day to use; the newest in the lake if not given.
    window_days
        How many days up to then speak.
    model
        Folder of a model made by `nightclamp train`. If not given: OUT/model, if `nightclamp train LAKE` has put one
        there that beat the shipped one; else the shipped one.
    rows
        How many rows of the list to print.
    """
    from pipeline.commands.console import show_night, teller
    from pipeline.core.alarm import ALARM, EXIT_STATUS, read, stale
    from pipeline.learning.train_due import train_if_due
    from pipeline.nightly.night_inputs import NightRequest
    from pipeline.nightly.run import run_night

    console, all_settings = Console(), load_settings(settings)
    tell = teller(console)
    try:
        result = run_night(NightRequest(lake, out, as_of, window_days, model), all_settings, tell=tell)
    finally:
        if console.is_terminal:
            tell("")
    alarms = read(result.alarm)
    if as_of is None:
        alarms += stale(result.as_of, datetime.now(UTC).date(), all_settings.alarm)
    show_night(console, result, rows, lines=alarms)
    if model is None and (
        line := train_if_due(lake, out, result.folder, as_of=result.as_of, settings=all_settings)
    ):
        console.print(one_line(line), highlight=False, markup=False, soft_wrap=True)
    if any(line.severity == ALARM for line in alarms):
        sys.exit(EXIT_STATUS)


@app.command
def check(lake: Path, *, all_days: bool = False, settings: SettingsFile = None) -> None:
    """Say whether a lake is in contract, one line a problem; exit status 2 if it isn't.

    Parameters
    ----------
    lake
        The lake's folder, or s3://bucket/prefix.
    all_days
        Read every day, not only the newest.
    """
    from pipeline.ingest.contract_check import check_lake
    from pipeline.ingest.lake import open_lake

    failed = 0
    all_settings = load_settings(settings)
    opened = open_lake(lake, all_settings)
    for problem in check_lake(opened, all_settings, datetime.now(UTC).date(), all_days=all_days):
        failed += problem.severity == "fail"
        hint = f" ({problem.hint})" if problem.hint else ""
        print(one_line(f"{problem.severity}: {problem.where}: {problem.what}{hint}"))
    print(one_line(f"{opened.root}: {f'{failed} problems' if failed else 'in contract'}"))
    if failed:
        sys.exit(2)


@app.command
def explain(site: str, *, out: Path = OUT, model: Path | None = None, settings: SettingsFile = None) -> None:
    """Tell one home's story and tonight's evidence in a page of text.

    Parameters
    ----------
    site
        The site_id.
    out
        The OUT of `nightly`.
    model
        The model that `nightly` was given, if any.
    """
    from pipeline.commands.explain import explain_home

    print(printable(explain_home(site, out, load_settings(settings), model_folder=model)))


@app.command
def orders(*sites: str, out: Path = OUT, pdf: bool = False, settings: SettingsFile = None) -> None:
    """Write call sheets of open safety calls and work orders of listed homes, a printable page each, into OUT/orders.

    Parameters
    ----------
    sites
        Homes of the list or with an open safety call; all such calls and the first of the list if none is given.
    out
        The OUT of `nightly`.
    pdf
        Write a PDF beside each page (needs the extra `nightclamp[pdf]` and Pango).
    """
    from pipeline.workorder import write_orders

    write_orders(out, sites, load_settings(settings), as_pdf=pdf, report=lambda line: print(one_line(line)))


# Loaded when they are asked for.
app.command(
    "pipeline.commands.simulate:simulate",
    name="simulate",
    help="Make a lake of invented homes, with the truth in truth.csv.",
)
app.command(
    "pipeline.commands.train:train",
    name="train",
    help="Train the classifier on a lake's own homes, or without LAKE on simulated fleets as the shipped one.",
)
app.command(
    "pipeline.commands.benchmark:bench",
    name="bench",
    help="Time one new night on top of a store, beside a bare scan of the same files in the same run.",
)
app.command(
    "pipeline.commands.dispatch:dispatch",
    name="dispatch",
    help="Plan which truck goes to which homes, in which order, and say why the rest waits.",
)
app.command(
    "pipeline.commands.policy_simulation:rehearse",
    name="rehearse",
    help="Live through a simulated half year by the list, beside three simpler ways.",
)
app.command(
    "pipeline.commands.crew_recovery:fairness",
    name="fairness",
    help="Measure the rates of crews on fleets whose truth is known.",
)
app.command(
    "pipeline.commands.validation:proof",
    name="proof",
    help="Measure the likelihoods on fleets unlike the training one and on real measured homes.",
)


def main(tokens: list[str] | None = None) -> None:
    """Run the command line (or these words of it); a known error is one line on stderr."""
    gc.set_threshold(
        100_000, 50, 50
    )  # imports make many objects that last: looking for garbage cost 0.2 s a night
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names may hold what this terminal's encoding lacks
            stream.reconfigure(errors="backslashreplace")
    words = sys.argv[1:] if tokens is None else tokens
    try:
        "".join(words).encode()
        app(words, exit_on_error=False, print_error=False)
    except UnicodeEncodeError:
        print(f"nightclamp: {one_line(' '.join(words))}: not UTF-8 text; rename it", file=sys.stderr)
        sys.exit(2)
    except cyclopts.CycloptsError as error:
        print(f"nightclamp: {one_line(' '.join(str(error).split()))}", file=sys.stderr)
        sys.exit(2)
    except NightclampError as error:
        print(f"nightclamp: {error}", file=sys.stderr)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        print("nightclamp: stopped; nothing was published", file=sys.stderr)
        sys.exit(1)
    except (OSError, MemoryError, duckdb.Error, pl.exceptions.PolarsError) as error:
        print(
            f"nightclamp: {type(error).__name__}: {one_line(error)[:300]}; nothing was published",
            file=sys.stderr,
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
