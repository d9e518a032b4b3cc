"""Which format an OUT is of: OUT/format.json, or latest.json in an object store; one without either is of format 1.

    {"format": 2, "nightclamp": "0.1.0"}    the version is that of the program that made it so

A program reads every format up to its own. Who only reads leaves an older OUT as it is; who holds it, to publish, turns
it into the program's own first, one step after the other, and writes the file when they are done: an OUT that was left
in between is of the older format still, and the steps are done again. A step changes nothing that is published.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.core.atomic_files import write_bytes
from pipeline.core.errors import InputError

FILE = "format.json"
# 1 had no file that says so, else it is format 2: what a run of it lacks is worked out when it is read.
FORMAT, FIRST = 2, 1
_REPAIR = f'put it back, or write {{"format": {FORMAT}}} into it if this version made OUT'
# Format -> what makes an OUT of it one of the next format; safe to be done again. From 1 to 2 there is nothing to do.
_STEPS: Mapping[int, Callable[[Path], None]] = {}


def mark() -> dict[str, Any]:
    """Return what an OUT of this program's format says of itself."""
    return {"format": FORMAT, "nightclamp": __version__}


def read_format(out: Path) -> int:
    """Return the format of the OUT in a folder, which may not be there yet.

    Raises
    ------
    InputError
        It is newer than this program, or format.json can't be read.
    """
    path = out / FILE
    try:
        content = json.loads(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return FIRST
    except (OSError, ValueError, RecursionError) as error:
        reason = " ".join(str(error).split())[:120]
        raise InputError(f"{path}: cannot be read ({reason}); {_REPAIR}") from error
    return usable_format(content, str(out), str(path))


def usable_format(content: object, out: str, where: str) -> int:
    """Return the format that `content` tells of an OUT; none means the first.

    Parameters
    ----------
    content
        What the JSON file says: keys format and nightclamp.
    out, where
        OUT and that file, as people call them.

    Raises
    ------
    InputError
        It is newer than this program, or no format.
    """
    number = content.get("format", FIRST) if isinstance(content, Mapping) else None
    if type(number) is not int or number < FIRST:
        raise InputError(f"{where}: doesn't say which format OUT is of; {_REPAIR}")
    assert isinstance(content, Mapping)
    if number > FORMAT:
        made_by = str(content.get("nightclamp", "of an unknown version"))[:40]
        raise InputError(
            f"{out}: is of format {number}, made by nightclamp {made_by}; this is nightclamp {__version__}, which reads"
            f" up to {FORMAT}: install {made_by} or newer, or choose another --out"
        )
    return number


def bring_up_to_date(out: Path) -> None:
    """Make the OUT in a folder that is held one of this program's format.

    Raises
    ------
    InputError
        As `read_format`.
    """
    number = read_format(out)
    for step in range(number, FORMAT):
        if step in _STEPS:
            _STEPS[step](out)
    if number < FORMAT:
        write_bytes(out / FILE, (json.dumps(mark()) + "\n").encode())
