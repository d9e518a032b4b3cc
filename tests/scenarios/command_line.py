"""The command `nightclamp`, run in this process."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

from pipeline.commands import cli


def run_command(*words: str | Path) -> tuple[int, str, str]:
    """Run `nightclamp`; return exit status, standard output and standard error, neither with a traceback."""
    out, err, status = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            cli.main([str(word) for word in words])
        except SystemExit as left:
            status = int(left.code or 0)
    both = out.getvalue() + err.getvalue()
    assert "Traceback" not in both, both[:2000]
    assert status in (0, 1, 2, 3), status
    return status, out.getvalue(), err.getvalue()
