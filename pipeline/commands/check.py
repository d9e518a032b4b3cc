"""The command `nightclamp check`."""

from __future__ import annotations

import sys
from pathlib import Path

from pipeline.commands.options import AsJson, OutputConsole, SettingsFile
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line


def check(lake: Path, *, all_days: bool = False, json: AsJson = False, settings: SettingsFile = None) -> None:
    """Say whether a lake is in the contract, one line a problem; exit status 2 if it isn't.

    Example: `nightclamp check LAKE --all-days`

    Parameters
    ----------
    lake
        The lake's folder, or s3://bucket/prefix.
    all_days
        Read every day, not only the newest [lake] check_days.
    """
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import terminal_progress
    from pipeline.core import clock
    from pipeline.core.alarm import count_of
    from pipeline.ingest.check_problem import Problem
    from pipeline.ingest.contract_check import check_lake
    from pipeline.ingest.lake import open_lake

    console = OutputConsole(stderr=json)
    all_settings = load_settings(settings)
    opened = open_lake(lake, all_settings)
    problems: list[Problem] = []
    with terminal_progress(console) as tell:
        for problem in check_lake(opened, all_settings, clock.utc_today(), all_days=all_days, tell=tell):
            problems.append(problem)
            if not json:
                hint = f" ({problem.hint})" if problem.hint else ""
                line = one_line(f"{problem.severity}: {problem.where}: {problem.what}{hint}")
                console.print(line, highlight=False, markup=False, emoji=False, soft_wrap=True)
    failed = sum(problem.severity == "fail" for problem in problems)
    if json:
        print_json(
            {
                "lake": opened.root,
                "is_in_contract": not failed,
                "failed": failed,
                "problems": [{**vars(problem), "hint": problem.hint or None} for problem in problems],
            }
        )
    else:
        print(one_line(f"{opened.root}: {count_of(failed, 'problem') if failed else 'in contract'}"))
    if failed:
        sys.exit(2)
