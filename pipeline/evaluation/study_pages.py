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

from pipeline.core.atomic_files import replacing, write_text
from pipeline.core.glossary import ATTEMPTS
from pipeline.faults.fault_text import fault_title
from pipeline.report import theme
from pipeline.report.page_templates import environment, report_style

# Headings that say more than their column's name; "low" and "high" stand in one column.
HEADINGS = {
    "true_fault": "fault", "exact_share": "exact rows", "row_coverage": "95 % interval holds, rows",
    "width_w": "width, W", "error_w": "mean error, W", "truth_w": "mean power, W",
    "kwh_coverage": "95 % interval holds, kWh",
    "kwh_width_share": "width of kWh", "reported_error_share": "error as reported",
    "corrected_error_share": "error corrected", "home_days": "home-days corrected",
    "mistaken_days": "of these nothing was wrong", "sound_homes": "sound homes corrected",
    "met": "result", "is_met": "result", "wanted": "target value", "by": "how", "count": "number",
    "class": "likelihood of", "low": "95 % interval", "named": "named as", "of": "of all with the fault",
    "found_share": "share found", "named_share": "fault named correctly", "leg_share": "leg named correctly",
    "order_named_share": "work order: fault correct", "order_leg_share": "work order: leg correct",
    "first_share": "faulty among the first 2.5 %", "average_precision": "average precision",
    "ece": "calibration error", "ece_wide": "calibration error, wide bins", "brier": "Brier score",
    "alarm_share": "false-alarm rate", "alarms": "false alarms", "share": "false-alarm rate",
    "median_nights": "median nights", "soon_share": "named within 2 nights",
    "suspect_soon_share": "suspected within 2 nights", "missed_unproven": "missed, called unproven",
    "missed_sound": "missed, called sound", "limit_found_share": "share found, upper limit",
    "limit_missed": "missed at the upper limit", "limit_missed_sound": "of these we call sound",
    "limit_named_share": "named correctly, upper limit", "limit_average_precision": "average precision, upper limit",
    "pooled": "all fleets together", "worst": "worst fleet", "worst_fleet": "which fleet",
    "sound_suspects_1000": "sound homes suspected, per 1,000", "suspects_right_share": "suspects with a fault",
    "listed_1000": "listed, per 1,000", "above_cut": "above the cut", "true_rate": "faulty, truth",
    "rate": "faulty, estimated", "rate_low": "estimate from", "rate_high": "estimate to",
    "installs_true": "wrong installs, truth", "installs_rate": "wrong installs, estimated",
    "crews_held_share": "crews inside their 95 % interval", "stand_out": "crews called worse or better",
    "false_alarm_share": "false alarms", "visits": "truck visits", "wasted": "no-fault-found visits",
    "wasted_share": "share of truck visits", "in_vain": "nothing to fix", "in_vain_share": "share with nothing to fix",
    "desk": "remote fixes tried", "desk_in_vain": "remote fixes with nothing to correct", "put_right": "homes fixed",
    "faulty_left": "faulty homes at the end", "faulty_days": "faulty home-days", "wrong_mwh": "misreported MWh",
    "again_same": "repeat visits, same reason", "again_any": "repeat visits, any reason",
    "p90_nights": "90th percentile, settled", "p90_of_all": "90th percentile, all", "why_open": "reason",
    "nights_left": "median nights observed", "proved": "verified", "disproved": "shown to have failed",
    "open": "still open", "wrong": "wrong verdicts", "worked": "fixes that worked",
}  # fmt: skip
SHARES = (
    "row_coverage",
    "kwh_coverage",
    "share",
    "true_rate",
    "rate",
    "rate_low",
    "rate_high",
    "installs_true",
    "installs_rate",
)
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
        headings = [HEADINGS.get(name) or fault_title(name) for name in columns]
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
        return ATTEMPTS.get(value) or fault_title(value)
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
        with replacing(out / f"{name}.csv") as part:
            frame.write_csv(part)
    numbers = {
        "told": study.summary,
        "request": study.request,
        "seconds": {name: round(seconds, 1) for name, seconds in study.seconds.items()},
        "tables": {name: _finite(frame).to_dicts() for name, frame in frames.items()},
    }
    write_text(out / f"{study.name}.json", json.dumps(numbers, indent=1, default=str) + "\n")
    for picture in pictures:
        write_text(out / f"{picture.name}.svg", svg(picture.spec))
        write_text(out / f"{picture.name}-dark.svg", svg(picture.spec, is_dark=True))
    names = ("headings", "rows", "numbers")
    tables = [
        {"title": table.title, "note": table.note, **dict(zip(names, table.cells(), strict=True))}
        for table in study.tables
    ]
    html = environment("pipeline.evaluation").get_template(f"{study.name}.html")
    page = out / "index.html"
    write_text(page, html.render(css=report_style(), summary=study.summary, tables=tables, pictures=pictures))
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
