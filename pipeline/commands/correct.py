"""The command `nightclamp correct`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.commands import stopping
from pipeline.commands.options import OUT, AsJson, OutputConsole, SettingsFile
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.correction.outcome import CorrectionResult


def correct(
    lake: Path, *sites: str, out: Path = OUT, json: AsJson = False, settings: SettingsFile = None
) -> None:
    """Put past readings right where a fault was there, beside the lake, with a statement of the kWh.

    Reads OUT/latest and the days of LAKE on which a home had a fault. Writes OUT/corrected: a file a day in the
    contract's columns with what was done to each row, tables and pages. The lake stays as it is; days whose readings
    and story are as before are left alone.

    Example: `nightclamp correct LAKE --out OUT`

    Parameters
    ----------
    lake
        Folder (or s3://bucket/prefix) that `nightly` read.
    sites
        site_id of each home to work on, others stay as they are; all homes if none is given.
    out
        The OUT of `nightly`: a folder, or s3://bucket/prefix.
    """
    from pipeline.commands.json_output import print_json
    from pipeline.commands.progress import progress
    from pipeline.correction.findings import shipped_stages
    from pipeline.correction.run import CorrectionRequest, correct_lake

    console = OutputConsole(stderr=json)
    with progress(console) as tell:
        result = correct_lake(
            CorrectionRequest(lake, out, sites), load_settings(settings), shipped_stages(), tell=tell
        )
    stopping.leaves("the corrected readings are written")
    if json:
        print_json(document(result))
        return
    for line in summary_lines(result):
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)


def document(result: CorrectionResult) -> dict[str, object]:
    """Return what is told for `--json`: `CorrectionResult.summary`, results, statement and its kWh."""
    statement = result.statement
    return {
        **result.summary(),
        "results": result.address,
        "statement": statement.index,
        "kwh_reported": statement.kwh_reported,
        "kwh_corrected": statement.kwh_corrected,
    }


def summary_lines(result: CorrectionResult) -> Iterator[str]:
    """Yield what was corrected, what was not and why, and where it is."""
    from pipeline.core.alarm import MOST_NAMED, count_of

    summary = result.summary()
    rows = summary["rows"]
    yield (
        f"{count_of(summary['homes'], 'home')} on {count_of(summary['days'], 'day')}, as of {result.as_of}:"
        f" {count_of(result.days_written, 'day')} written, {result.days_removed:,} removed, the others unchanged"
    )
    methods = ", ".join(f"{number:,} {method}" for method, number in summary["methods"].items())
    yield (
        f"rows: {rows['rows_in']:,} in = {rows['used']:,} used + {rows['duplicate']:,} duplicate"
        f" + {rows['rejected']:,} rejected; of the used {methods}"
    )
    if result.days_gone:
        yield f"{count_of(result.days_gone, 'day')} no longer in the lake: rows corrected earlier stay as they were"
    if left := summary["not_corrected"]:
        yield f"{count_of(sum(left.values()), 'home')} not corrected:"
        yield from (f"  {homes:,}: {why}" for why, homes in list(left.items())[:MOST_NAMED])
        if more := sum(list(left.values())[MOST_NAMED:]):
            yield f"  {more:,} for other reasons: not_corrected.csv"
    yield f"results:   {result.address}"
    yield f"statement: {result.statement.index}"
