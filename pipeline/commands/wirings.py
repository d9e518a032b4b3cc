"""The command `nightclamp wirings`."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pipeline.commands.options import OutputConsole, printer


def wirings(
    *, service: Literal["230/400", "120/208 three-phase"] = "230/400", out: Path | None = None
) -> None:
    """Show which of the 48 wirings of three lines each kind of evidence can tell from the right one.

    A table for an inverter on three lines, for one on L1, and for CTs at the loads: of each kind of wrong wiring, how
    many the sun, the nights, voltage sag, loads on several lines and the utility meter tell from right, and how many
    wirings are told from every other.

    Example: `nightclamp wirings --service 230/400`

    Parameters
    ----------
    service
        The service of the home.
    out
        A Markdown file to write the tables to, besides.
    """
    from pipeline.core.atomic_files import write_text
    from pipeline.core.errors import InputError
    from pipeline.evaluation.study_pages import Table, grid
    from pipeline.evaluation.wiring_study import SCENES, markdown, wiring_study

    if out is not None and (not out.name or out.is_dir()):
        raise InputError(f"--out {out} is a folder: name a file to write the tables to")
    wide = printer(OutputConsole(), 150)
    for scene in SCENES:
        wide.print()
        wide.print(grid(Table("wirings", scene.title, wiring_study(service, scene))))
    if out is not None:
        write_text(out, markdown(service) + "\n")
