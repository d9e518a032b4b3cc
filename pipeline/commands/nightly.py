"""The command `nightclamp nightly`."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

from pipeline.commands import stopping
from pipeline.commands.log_output import write_log_as
from pipeline.commands.options import OUT, AsJson, OutputConsole, Rows, SettingsFile
from pipeline.core.settings import load_settings
from pipeline.core.steps import Step
from pipeline.core.terminal_text import one_line


def nightly(
    lake: Path,
    *,
    out: Path = OUT,
    as_of: date | None = None,
    window_days: int = 30,
    model: Path | None = None,
    make_latest: bool = False,
    rows: Rows = 15,
    json: AsJson = False,
    settings: SettingsFile = None,
) -> None:
    """Read the lake's new days, score every home and publish the ranked revisit list; exit status 3 with an alarm.

    Example: `nightclamp nightly LAKE --out OUT`

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) with sites, crews, visits and intervals/date=YYYY-MM-DD/.
    out
        Folder (or s3://bucket/prefix) where runs, `latest` and the store of day statistics are kept.
    as_of
        UTC day to judge, YYYY-MM-DD; the newest in the lake that is over if not given.
    window_days
        Days of data up to then that are used [days].
    model
        Folder of a model made by `nightclamp train`. If not given: OUT/model, if `nightclamp train LAKE` has put one
        there that beat the shipped one; else the shipped one.
    make_latest
        OUT/latest leads to this night also if it leads to a later one now.
    rows
        Rows of the list to print.
    """
    from pipeline.commands.console import night_summary, show_night
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import progress
    from pipeline.core.alarm import ALARM, EXIT_STATUS, log_alarms, read
    from pipeline.learning.train_due import train_if_due
    from pipeline.nightly.night_inputs import NightRequest
    from pipeline.nightly.run import run_night

    console, all_settings = OutputConsole(stderr=json), load_settings(settings)
    write_log_as(all_settings.log.format)
    with progress(console) as tell:

        def tell_step(line: str) -> None:
            if line == Step.PUBLISH:
                stopping.leaves(f"it was publishing: {out}/latest is this night or the one before, whole")
            elif line == Step.CORRECT:
                stopping.leaves("the night is published; past readings that were put right so far stay")
            tell(line)

        request = NightRequest(lake, out, as_of, window_days, model, make_latest)
        result = run_night(request, all_settings, tell=tell_step)
    stopping.leaves("the night is published")
    alarms = read(result.alarm)
    log_alarms(alarms)
    if json:
        print_json(night_summary(result, rows, alarms))
    else:
        show_night(console, result, rows, lines=alarms)
    # A night of an earlier day is no reason to train: the model's days end with the latest.
    if (
        model is None
        and result.is_latest
        and (line := train_if_due(lake, out, result.folder, as_of=result.as_of, settings=all_settings))
    ):
        console.print(one_line(line), highlight=False, markup=False, soft_wrap=True)
    if any(line.severity == ALARM for line in alarms):
        sys.exit(EXIT_STATUS)
