"""Whether an OUT on disk is whole: runs against their digests, where `latest` leads, the store, what was left over."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.storage.earlier_run import run_days
from pipeline.storage.layout import CORRECTED, OWN_MODEL
from pipeline.storage.odd_out import LOCK
from pipeline.storage.out_format import read_format
from pipeline.storage.publish import BUILDING, WHOLE
from pipeline.storage.run_files import FILES, Damage, find_damage, read_file, read_record

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Problem:
    """A file or folder of OUT, relative to it, what is wrong with it, and what to do."""

    where: str
    what: str
    todo: str

    def line(self) -> str:
        """Return it as a line."""
        return f"{self.where}: {self.what}: {self.todo}"


@dataclass
class Checked:
    """What was looked at: runs, those of them without digests, and files of the store and beside it."""

    runs: int = 0
    old_runs: int = 0
    files: int = 0


def verify_folder(out: Path, checked: Checked, tell: Tell = lambda line: None) -> Iterator[Problem]:
    """Yield every problem of an OUT on disk, run after run; `checked` counts along, `tell` takes lines of progress.

    Raises
    ------
    InputError
        OUT is of a newer version of the program, or doesn't say which.
    """
    read_format(out)
    for day in run_days(out):
        tell(f"the run of {day}")
        checked.runs += 1
        yield from verify_run(out / "runs" / day, f"runs/{day}", run_again(str(out), day), checked=checked)
    yield from _latest(out)
    yield from _beside(out, checked, tell)
    if not is_at_work(out):
        yield from _left_over(out)


def verify_run(run: Path, shown: str, todo: str, *, checked: Checked) -> Iterator[Problem]:
    """Yield what is wrong with the files of a run.

    Parameters
    ----------
    run
        Its folder, or the link to it.
    shown
        What people call that.
    todo
        What to do if it isn't whole.
    checked
        Counts runs without digests.
    """
    if not os.path.exists(run):
        leads = f", leads to {os.readlink(run)}" if run.is_symlink() else ""
        yield Problem(shown, f"is not there{leads}", todo)
        return
    record = read_record(run)
    if isinstance(record, dict):
        checked.old_runs += FILES not in record
        checked.files += len(record.get(FILES, ())) + 1
    for damage in [record] if isinstance(record, Damage) else find_damage(run):
        yield Problem(f"{shown}/{damage.file}", damage.what, todo)


def run_again(out: str, day: str) -> str:
    """Return what to do about a run that is damaged."""
    return f"run `nightclamp nightly LAKE --out {out} --as-of {day}` again"


def is_at_work(out: Path) -> bool:
    """Tell whether a night is at work in OUT: what it is building is not left over."""
    try:
        lock = os.open(out / LOCK, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(lock)
    return False


def _latest(out: Path) -> Iterator[Problem]:
    latest, days = out / "latest", run_days(out)
    newest = next((day for day in reversed(days) if (out / "runs" / day).exists()), None)
    turn = (
        f"`ln -sfn runs/{newest} {latest}`" if newest else f"run `nightclamp nightly LAKE --out {out}` again"
    )
    if latest.is_symlink():
        leads = os.readlink(latest)
        if not latest.exists():
            yield Problem(
                "latest", f"leads to {leads}, which is not there", f"{turn} turns it to a run that is"
            )
        elif leads.removeprefix("runs/") not in days:
            yield Problem("latest", f"leads to {leads}, which is no run of this OUT", f"{turn} turns it back")
    elif latest.exists():
        yield Problem("latest", "not a link to a run", f"move it away, then {turn}")
    elif days:
        yield Problem("latest", "missing", f"{turn} makes it")


def _beside(out: Path, checked: Checked, tell: Tell) -> Iterator[Problem]:
    """Yield what can't be read of the store, the corrected rows, the plans and the fleet's own model."""
    tell("the store")
    places = {
        "store": "delete {}, it is rebuilt",
        CORRECTED: "delete {} and run `nightclamp correct LAKE --out OUT`",
        "dispatch": "run `nightclamp dispatch LAKE --out OUT` again for that night, or delete {}",
        OWN_MODEL: "delete {} and run `nightclamp train LAKE --out OUT`",
    }
    for folder, todo in places.items():
        for path in sorted((out / folder).rglob("*")):
            name = path.relative_to(out).as_posix()
            if path.is_dir() or any(part.startswith(".") for part in path.parts[len(out.parts) :]):
                continue
            checked.files += 1
            if what := read_file(path):
                yield Problem(name, what, todo.format(path).replace("OUT", str(out)))


def _left_over(out: Path) -> Iterator[Problem]:
    """Yield what nights and commands that were stopped have left, and nobody takes up any more."""
    remove = "nothing needs it, delete it"
    linked = {(out / "runs" / day).resolve().name for day in run_days(out)}
    days = {name[:10] for name in linked}
    for path in sorted((out / "runs" / WHOLE).glob("*")):
        # a run that was replaced stays, for its readers, until its day is published once more
        if path.name not in linked and path.name[:10] not in days:
            yield Problem(path.relative_to(out).as_posix(), "a run that no day leads to", remove)
    patterns = (
        f"runs/{BUILDING}-*", "runs/.*.turning", ".*.turning", f"dispatch/{BUILDING}-*", "store/.work",
        "store/.correct-*",
    )  # fmt: skip
    parts = (f"{folder}/**/.*.part" for folder in ("store", CORRECTED, "orders", OWN_MODEL))
    for pattern in (*patterns, *parts):
        for path in sorted(out.glob(pattern)):
            yield Problem(path.relative_to(out).as_posix(), "left by a command that was stopped", remove)
