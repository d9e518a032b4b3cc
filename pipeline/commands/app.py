"""The table of commands, and how an error becomes one line and an exit status."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
from pathlib import Path

import cyclopts
import duckdb
import polars as pl
from cyclopts import App, Group

from pipeline.commands import stopping
from pipeline.commands.backfill import backfill
from pipeline.commands.benchmark import bench
from pipeline.commands.check import check
from pipeline.commands.correct import correct
from pipeline.commands.coverage import coverage
from pipeline.commands.crew_recovery import fairness
from pipeline.commands.dispatch import dispatch
from pipeline.commands.explain import explain
from pipeline.commands.log_output import write_log_as
from pipeline.commands.mornings import mornings
from pipeline.commands.nightly import nightly
from pipeline.commands.options import OutputConsole
from pipeline.commands.orders import orders
from pipeline.commands.policy_simulation import rehearse
from pipeline.commands.simulate import simulate
from pipeline.commands.train import train
from pipeline.commands.utility import utility
from pipeline.commands.validation import proof
from pipeline.commands.verify import verify
from pipeline.commands.wirings import wirings
from pipeline.core.build_identity import build_identity
from pipeline.core.disk_errors import tell_failure
from pipeline.core.errors import NightclampError
from pipeline.core.event_log import TEXT
from pipeline.core.terminal_text import one_line

# A heading of `nightclamp --help` and its commands, in the order of their use.
GROUPS = {
    "Every day": (nightly, check, utility, explain, orders, dispatch, correct),
    "Now and then": (backfill, verify, train, simulate),
    "Studies": (proof, fairness, rehearse, coverage, wirings, mornings, bench),
}
# What a command leaves behind when it is stopped or fails; `nightly` says more once it is about to publish.
LEAVES = {
    "nightly": "nothing was published",
    "orders": "orders written so far stay",
    "dispatch": "the plan is as it was",
    "correct": "days corrected so far stay, each whole; started again, it goes on from here",
    "backfill": "days taken in and nights published so far stay, each whole; the same command goes on from here",
    "train": "no model was written",
    "simulate": "the lake is not whole: remove it",
    "rehearse": "started again, it goes on from here",
}

app = App(
    name="nightclamp",
    version=build_identity,
    help="Finds CT install faults in the interval data of homes with solar.",
    console=OutputConsole(),
    suppress_keyboard_interrupt=False,
)
for place, (title, commands) in enumerate(GROUPS.items()):
    group = Group(title, sort_key=place)
    for number, command in enumerate(commands):
        app.command(command, group=group, sort_key=number)
_OTHER = Group("Other", sort_key=len(GROUPS))
app.register_install_completion_command(
    group=_OTHER,
    help="Install completion of commands and options for your shell (bash, zsh, fish); --shell names another one.",
)
for flag in ("--help", "--version"):
    app[flag].group = _OTHER


def run_words(words: list[str]) -> int:
    """Run the command line's words; return its exit status, an error told in one line on stderr."""
    gc.set_threshold(
        100_000, 50, 50
    )  # imports make many objects that last: looking for garbage cost 0.2 s a night
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # names may hold what this terminal's encoding lacks
            stream.reconfigure(errors="backslashreplace")
    write_log_as(os.environ.get("NIGHTCLAMP_LOG__FORMAT", TEXT))  # what fails before settings are read too
    stopping.leaves(LEAVES.get(words[0] if words else "", "nothing was changed"))
    if "" in words:  # as a script's variable that is not set: a path would be the folder one stands in
        return _tell("a word of the command is empty; is a variable of the script not set?", 2)
    try:
        "".join(words).encode()
        app(words, exit_on_error=False, print_error=False, result_action="return_value")
    except SystemExit as left:
        return left.code if isinstance(left.code, int) else int(left.code is not None)
    except UnicodeEncodeError:
        return _tell(f"{one_line(' '.join(words))}: not UTF-8 text; rename it", 2)
    except cyclopts.CycloptsError as error:
        return _tell(one_line(" ".join(str(error).split())), 2)
    except NightclampError as error:
        if stopping.is_asked():  # a query that was broken off
            raise
        return _tell(str(error), error.exit_status)
    except BrokenPipeError:
        raise
    except (OSError, MemoryError, duckdb.Error, pl.exceptions.PolarsError) as error:
        if stopping.is_asked():
            raise
        if isinstance(error, OSError) and (lost := stopping.why_output_is_lost()):
            return tell_lost_output(lost)
        return _tell(f"{one_line(tell_failure(error, Path.cwd()))}; {stopping.left()}", 1)
    return 0


def tell_lost_output(why: str) -> int:
    """Say why nothing more can be printed; return the exit status."""
    stopping.drop_output()
    return _tell(f"{why}; {stopping.left()}", 1)


def _tell(line: str, status: int) -> int:
    with contextlib.suppress(OSError):  # standard error may be a full device too: the status tells
        stopping.say(line)
    return status
