"""The command `nightclamp orders`."""

from __future__ import annotations

from pathlib import Path

from pipeline.commands.options import OUT, OutputConsole, SettingsFile
from pipeline.core.settings import load_settings
from pipeline.core.terminal_text import one_line


def orders(*sites: str, out: Path = OUT, pdf: bool = False, settings: SettingsFile = None) -> None:
    """Write call sheets of open safety calls and work orders of listed homes, a page each, into OUT/orders/DATE.

    Example: `nightclamp orders H00015 H00004 --pdf`

    Parameters
    ----------
    sites
        site_id of each home; all open safety calls and the first [orders] homes of the list if none is given.
    out
        The OUT of `nightly`: a folder, or s3://bucket/prefix.
    pdf
        Write a PDF beside each page (needs the extra `nightclamp[pdf]` and Pango).
    """
    from pipeline.commands.progress import terminal_progress
    from pipeline.report.words import count
    from pipeline.workorder import write_orders

    console = OutputConsole()

    def say(line: str) -> None:
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)

    with terminal_progress(console) as tell:
        tell("writing orders")
        written = write_orders(out, sites, load_settings(settings), as_pdf=pdf, report=say)
    with_pdf = ", a page and a PDF each" if pdf else ""
    place = f" in {written[0].parent}" if written else ": the list is empty"
    say(f"{count(len(written), 'sheet')}{with_pdf}{place}")
