"""How a study is shown: tables for a terminal, a page and CSV files, all numbers as JSON, pictures light and dark."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import vl_convert
from rich.table import Table as Grid

from pipeline.report import theme
from pipeline.report.page_templates import environment, report_style

# Headings that say more than their column's name; "low" and "high" stand in one column.
HEADINGS = {
    "met": "", "is_met": "", "by": "", "count": "", "class": "likelihood of", "low": "95 % interval",
    "found_share": "found", "named_share": "named right", "leg_share": "leg right", "order_named_share": "order right",
    "order_leg_share": "order's leg", "first_share": "first 2.5 %", "average_precision": "AP", "ece": "ECE",
    "ece_wide": "ECE wide", "brier": "Brier", "alarm_share": "alarms", "median_nights": "median nights",
    "soon_share": "in 2 nights", "suspect_soon_share": "in 2, any name", "missed_unproven": "missed: unproven",
    "missed_sound": "missed: sound", "limit_found_share": "limit: found", "limit_missed": "limit: missed",
    "limit_missed_sound": "of these sound", "limit_named_share": "limit: named", "limit_average_precision": "limit: AP",
    "worst": "worst fleet", "worst_fleet": "which", "sound_suspects_1000": "suspect, of 1,000",
    "suspects_right_share": "suspects faulty", "listed_1000": "listed, of 1,000", "above_cut": "above the cut",
    "true_rate": "faulty", "rate": "told", "rate_low": "from", "rate_high": "to", "installs_true": "wrong installs",
    "installs_rate": "told of them", "crews_held_share": "intervals hold", "false_alarm_share": "false alarms",
    "in_vain": "for nothing", "in_vain_share": "share for nothing", "wasted_share": "of visits", "desk": "at the desk",
    "desk_in_vain": "in vain", "faulty_left": "faulty at the end", "faulty_days": "faulty home-days",
    "wrong_mwh": "misreported MWh", "again_same": "again, same reason", "again_any": "again, any reason",
    "p90_nights": "90th", "p90_of_all": "90th of all", "why_open": "why", "nights_left": "median nights watched",
    "proved": "proved right", "disproved": "still wrong",
}  # fmt: skip
SHARES = ("share", "true_rate", "rate", "rate_low", "rate_high", "installs_true", "installs_rate")
SCORES = (
    "average_precision", "limit_average_precision", "ece", "ece_wide", "brier", "reliability", "resolution",
    "uncertainty", "log_loss",
)  # fmt: skip


@dataclass(frozen=True)
class Table:
    """`frame` with a title and a note; `name` is its file's, `columns` those on screen and page (empty: all).

    The CSV file and the JSON have all columns anyway.
    """

    name: str
    title: str
    frame: pl.DataFrame
    note: str = ""
    columns: tuple[str, ...] = ()

    def cells(self) -> tuple[list[str], list[list[str]], list[bool]]:
        """Return headings, rows of text, and which columns are numbers; `low` and `high` are one column."""
        frame = self.frame.select(self.columns) if self.columns else self.frame
        columns = [name for name in frame.columns if name != "high"]
        rows = [
            [
                f"{100 * row['low']:.1f}–{100 * row['high']:.1f} %"
                if name == "low"
                else format_value(name, row[name])
                for name in columns
            ]
            for row in frame.to_dicts()
        ]
        headings = [HEADINGS.get(name, name.replace("_", " ")) for name in columns]
        return headings, rows, [frame.schema[name].is_numeric() for name in columns]


@dataclass(frozen=True)
class Study:
    """The results of a study; `name` is that of its JSON file and its page's template.

    `summary` says in sentences what was measured, `request` with which options; `tables` in reading order, the
    targets (column is_met) first; `frames` file name -> what is written as CSV only; `seconds` what each step took.
    """

    name: str
    summary: str
    request: dict[str, Any]
    tables: tuple[Table, ...]
    frames: dict[str, pl.DataFrame]
    seconds: dict[str, float]


@dataclass(frozen=True)
class Picture:
    """A chart's Vega-Lite `spec` under a file name, with title, text alternative (`alt`) and caption."""

    name: str
    title: str
    alt: str
    caption: str
    spec: dict[str, Any]


def format_value(column: str, value: Any) -> str:
    """Return a value as people read it: shares in per cent, scores with four digits, nothing as a dash."""
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return "–"
    if isinstance(value, bool):
        return "met" if value else "not met"
    if isinstance(value, str):
        return value.replace("_", " ")
    if column in SHARES or column.endswith("_share"):
        return percent(value)
    if column in SCORES:
        return f"{value:.4f}"
    return f"{value:,.1f}" if isinstance(value, float) else f"{value:,}"


def percent(share: float) -> str:
    """Return a share in per cent; 100 only where it is whole."""
    text = f"{100 * share:.1f}"
    return f"{'99.9' if text == '100.0' and share < 1 else text.removesuffix('.0')} %"


def grid(table: Table) -> Grid:
    """Return the table for a terminal."""
    lines = Grid(title=table.title, title_justify="left", pad_edge=False)
    headings, rows, numbers = table.cells()
    for heading, is_number in zip(headings, numbers, strict=True):
        lines.add_column(heading, justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        lines.add_row(*row)
    return lines


def write_study(study: Study, out: Path, pictures: Sequence[Picture]) -> Path:
    """Write index.html, one CSV a table and frame, the JSON, NAME.svg and NAME-dark.svg a picture; return the page.

    The page opens from disk and never reaches for the network. Files already there are overwritten.

    Raises
    ------
    OSError
        The folder (made where missing) or a file in it cannot be written.
    """
    out.mkdir(parents=True, exist_ok=True)
    frames = {table.name: table.frame for table in study.tables}
    for name, frame in (frames | study.frames).items():
        frame.write_csv(out / f"{name}.csv")
    numbers = {
        "told": study.summary,
        "request": study.request,
        "seconds": {name: round(seconds, 1) for name, seconds in study.seconds.items()},
        "tables": {name: _finite(frame).to_dicts() for name, frame in frames.items()},
    }
    (out / f"{study.name}.json").write_text(
        json.dumps(numbers, indent=1, default=str) + "\n", encoding="utf-8"
    )
    for picture in pictures:
        (out / f"{picture.name}.svg").write_text(svg(picture.spec), encoding="utf-8")
        (out / f"{picture.name}-dark.svg").write_text(svg(picture.spec, is_dark=True), encoding="utf-8")
    names = ("headings", "rows", "numbers")
    tables = [
        {"title": table.title, "note": table.note, **dict(zip(names, table.cells(), strict=True))}
        for table in study.tables
    ]
    html = environment("pipeline.evaluation").get_template(f"{study.name}.html")
    page = out / "index.html"
    page.write_text(
        html.render(css=report_style(), summary=study.summary, tables=tables, pictures=pictures),
        encoding="utf-8",
    )
    return page


def _finite(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame as JSON can say it: what is no number is null."""
    numbers = pl.col(pl.Float64)
    return frame.with_columns(pl.when(numbers.is_finite()).then(numbers).name.keep())


def svg(spec: dict[str, Any], *, is_dark: bool = False) -> str:
    """Return the picture as SVG, in the light colours or the dark ones."""
    text = json.dumps(spec)
    if is_dark:
        for light, dark in theme.swaps().items():
            text = text.replace(light, dark)
    return str(vl_convert.vegalite_to_svg(text))


def spec_of(chart: alt.TopLevelMixin, **config: Any) -> dict[str, Any]:
    """Return a chart's Vega-Lite spec in the report's style, with these parts of its config besides."""
    spec: dict[str, Any] = json.loads(json.dumps(chart.to_dict(validate=False)))
    return spec | {"config": theme.config() | config}
