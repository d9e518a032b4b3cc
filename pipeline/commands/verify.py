"""The command `nightclamp verify`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.commands.options import OUT, AsJson, OutputConsole, SettingsFile
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line

if TYPE_CHECKING:
    from pipeline.storage.verify_out import Checked, Problem


def verify(out: Path = OUT, *, json: AsJson = False, settings: SettingsFile = None) -> None:
    """Say whether every file of the published runs is what was published, one line a problem; exit status 2 if not.

    Each run is held against the digests in its run.json; one of a version before that had them, the store of day
    statistics, plans and corrected rows are read. Nothing is changed.

    Example: `nightclamp verify OUT`

    Parameters
    ----------
    out
        The OUT of `nightly`: a folder, or s3://bucket/prefix.
    """
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import terminal_progress
    from pipeline.storage.object_url import object_url
    from pipeline.storage.verify_bucket import verify_bucket
    from pipeline.storage.verify_out import Checked, verify_folder

    console, all_settings = OutputConsole(stderr=json), load_settings(settings)
    checked, problems = Checked(), list["Problem"]()
    url = object_url(out)
    with terminal_progress(console) as tell:
        found = (
            verify_folder(out, checked, tell)
            if url is None
            else verify_bucket(url, all_settings.object_store, checked, tell=tell)
        )
        for problem in found:
            problems.append(problem)
            if not json:
                line = one_line(problem.line())
                console.print(line, highlight=False, markup=False, emoji=False, soft_wrap=True)
    if not (checked.runs or problems):
        raise InputError(f"{out}: no published run; run `nightclamp nightly LAKE --out {out}` first")
    if json:
        print_json(
            {
                "out": str(out),
                "is_whole": not problems,
                "runs": checked.runs,
                "runs_without_digests": checked.old_runs,
                "files": checked.files,
                "problems": [vars(problem) for problem in problems],
            }
        )
    else:
        print(one_line(summary_line(str(out), checked, len(problems))))
    if problems:
        sys.exit(2)


def summary_line(out: str, checked: Checked, problems: int) -> str:
    """Return the last line: what was looked at, and how many problems there are."""
    from pipeline.core.alarm import count_of

    runs = count_of(checked.runs, "run")
    if checked.old_runs:
        of_them = "it has" if checked.runs == 1 else f"{checked.old_runs:,} of them with"
        runs += f" ({of_them} no digests: made by an older version)"
    found = count_of(problems, "problem") if problems else "whole"
    return f"{out}: {runs}, {count_of(checked.files, 'file')}: {found}"
