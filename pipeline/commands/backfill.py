"""The command `nightclamp backfill`."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from pipeline.commands import stopping
from pipeline.commands.log_output import write_log_as
from pipeline.commands.options import OUT, AsJson, OutputConsole, SettingsFile
from pipeline.core import event_log
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line

if TYPE_CHECKING:
    from pipeline.nightly.backfill import BackfillRequest, BackfillResult, PastNight


def backfill(
    lake: Path,
    *,
    from_: Annotated[date, Parameter(name="--from")],
    to: date | None = None,
    out: Path = OUT,
    window_days: int = 30,
    model: Path | None = None,
    again: bool = False,
    json: AsJson = False,
    settings: SettingsFile = None,
) -> None:
    """Publish past nights in order, one night each, so that stories, predictions and crews' months begin with history.

    Takes in the days once, then makes each night as it would have been made then. Stopped, the same command goes on
    where it was. An alarm of a past night is told in its line and doesn't change the exit status.

    Example: `nightclamp backfill LAKE --from 2026-01-01 --out OUT`

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) that `nightly` reads.
    from_
        First night, YYYY-MM-DD.
    to
        Last night, YYYY-MM-DD; the newest day of the lake that is over if not given.
    out
        The OUT of `nightly`: a folder, or s3://bucket/prefix.
    window_days
        Days of data up to each night that are used [days].
    model
        Folder of a model made by `nightclamp train`; as `nightly` takes it.
    again
        Make nights that are published anew; without it they are left as they are.
    """
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import progress
    from pipeline.nightly.backfill import BackfillRequest
    from pipeline.nightly.backfill import backfill as make_nights

    console, all_settings = OutputConsole(stderr=json), load_settings(settings)
    write_log_as(all_settings.log.format)
    request = BackfillRequest(lake, out, from_, to, window_days, model, again)

    def say(line: str) -> None:
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)

    with progress(console) as tell:

        def night_done(night: PastNight) -> None:
            stopping.stop_if_asked()
            (tell if event_log.is_json() else say)(night_line(night))

        result = make_nights(request, all_settings, tell=tell, night_done=night_done)
    stopping.leaves("all nights are published")
    if json:
        print_json(document(result, out))
        return
    for line in summary_lines(result, request):
        say(line)


def night_line(night: PastNight) -> str:
    """Return a night's line: which it is, its seconds, what it lists, its alarms."""
    from pipeline.core.alarm import ALARM, read

    made = night.result
    codes = [line.code for line in read(made.alarm) if line.severity == ALARM]
    alarms = f", ALARM: {', '.join(codes)}" if codes else ""
    return (
        f"night of {made.as_of}, {night.number} of {night.total}: {night.seconds:.1f} s,"
        f" {made.revisit_list.height} listed{alarms}"
    )


def document(result: BackfillResult, out: Path) -> dict[str, Any]:
    """Return what is told for `--json`.

    Keys: nights (as_of, seconds, listed, alarms), done_before, no_data and made_without_history (days), days_read,
    runs_removed, store_days_removed, results (where).
    """
    from pipeline.core.alarm import ALARM, read

    plan = result.plan
    return {
        "nights": [
            {
                "as_of": night.result.as_of,
                "seconds": night.seconds,
                "listed": night.result.revisit_list.height,
                "alarms": [line.code for line in read(night.result.alarm) if line.severity == ALARM],
            }
            for night in result.nights
        ],
        "done_before": plan.done,
        "no_data": plan.no_data,
        "made_without_history": plan.later,
        "days_read": result.days_read,
        "runs_removed": len(result.removed.runs),
        "store_days_removed": len(result.removed.store_days),
        "results": out,
    }


def summary_lines(result: BackfillResult, request: BackfillRequest) -> Iterator[str]:
    """Yield what was made, what was left alone and why, and which later nights should be made again."""
    from pipeline.core.alarm import MOST_NAMED, count_of
    from pipeline.nightly.retention_step import removed_text

    plan, nights = result.plan, result.nights
    if nights:
        seconds = sum(night.seconds for night in nights)
        span = f"{nights[0].result.as_of} to {nights[-1].result.as_of}"
        yield (
            f"{count_of(len(nights), 'night')} published, {span}, in {seconds:,.0f} s;"
            f" {count_of(result.days_read, 'day')} taken in"
        )
    if plan.done:
        yield (
            f"{count_of(len(plan.done), 'night')} published before and left alone; --again makes them anew"
        )
    if plan.no_data:
        named = ", ".join(map(str, plan.no_data[:MOST_NAMED]))
        more = f" and {len(plan.no_data) - MOST_NAMED} more" if len(plan.no_data) > MOST_NAMED else ""
        yield f"skipped, no data in the lake: {named}{more}"
    if line := removed_text(result.removed):
        yield line
    if plan.later:
        first, last = plan.later[0], plan.later[-1]
        yield (
            f"the nights of {first} to {last} were made without this history; make them again:"
            f" nightclamp backfill {request.lake} --from {first} --to {last} --again --out {request.out}"
        )
    yield f"results: {request.out}"
