"""How a measurement is shown: its tables on a terminal and on a page, its pictures as SVG, light and dark.

`proof` and `rehearsal` measure other things and write them in other words; what they have in common is here.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

import vl_convert
from rich.table import Table as Grid

from pipeline.report import theme
from pipeline.report.page_templates import environment, report_style


class Shown(Protocol):
    """A table that can be shown: its title, a note, and its cells as (headings, rows of text, which are numbers)."""

    @property
    def title(self) -> str:
        """What stands over it."""

    @property
    def note(self) -> str:
        """What stands under it, or nothing."""

    def cells(self) -> tuple[list[str], list[list[str]], list[bool]]:
        """Return headings, rows of text, and which columns are numbers."""


def grid(table: Shown) -> Grid:
    """Return the table for a terminal."""
    headings, rows, numbers = table.cells()
    lines = Grid(title=table.title, title_justify="left", pad_edge=False)
    for heading, is_number in zip(headings, numbers, strict=True):
        lines.add_column(heading, justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        lines.add_row(*row)
    return lines


def page(template: str, package: str, tables: Sequence[Shown], **values: Any) -> str:
    """Return the page of a package's `template`, given `tables` as their cells, the report's style, and `values`."""
    shown = []
    for table in tables:
        headings, rows, numbers = table.cells()
        shown.append(
            {"title": table.title, "note": table.note, "headings": headings, "rows": rows, "numbers": numbers}
        )
    return environment(package).get_template(template).render(css=report_style(), tables=shown, **values)


def put_picture(out: Path, name: str, spec: dict[str, Any]) -> None:
    """Write the picture as NAME.svg and NAME-dark.svg."""
    (out / f"{name}.svg").write_text(svg(spec), encoding="utf-8")
    (out / f"{name}-dark.svg").write_text(svg(spec, is_dark=True), encoding="utf-8")


def svg(spec: dict[str, Any], is_dark: bool = False) -> str:
    """Return the picture as SVG, in the light colours or the dark ones."""
    text = json.dumps(spec)
    if is_dark:
        for light, dark in theme.swaps().items():
            text = text.replace(light, dark)
    return str(vl_convert.vegalite_to_svg(text))
