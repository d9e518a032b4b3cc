"""Writes the plan's folder whole or not at all: built beside under another name, then renamed."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path


def replace_folder(target: Path, write: Callable[[Path], None]) -> None:
    """Have `write` fill a new folder beside `target`, then put it in its place.

    If `write` fails, `target` stays as it was; if the last step does, the old folder is put back.

    Raises
    ------
    OSError
        The folder can't be written.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".building-") as temporary:
        built, old = Path(temporary) / "new", Path(temporary) / "old"
        built.mkdir()
        write(built)
        if target.exists():
            target.rename(old)
        try:
            built.rename(target)
        except OSError:
            if old.exists():
                shutil.move(old, target)
            raise
