"""Writes the report folder: the first page, a page a home, the crews' page and their local assets."""

from __future__ import annotations

import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
import polars as pl
from markupsafe import Markup

from pipeline.core.settings import Settings
from pipeline.report import theme, words
from pipeline.report.bundle import chart_script
from pipeline.report.crews_page import crews_context
from pipeline.report.home_page import home_context
from pipeline.report.index_page import index_context
from pipeline.report.list_page import list_context
from pipeline.report.names import page_name
from pipeline.report.normal_page import normal_context
from pipeline.report.page_templates import environment
from pipeline.report.report_input import ReportInput
from pipeline.report.visits_page import doubts

_OWN_ASSETS = ("report.css", "list.js", "charts.js")
_BUNDLE = "vega.js"
_PER_HOME = ("site_weight", "site_daily", "site_hour")


def write_report(folder: Path, night: ReportInput, settings: Settings, kept: Path | None = None) -> None:
    """Write the night's report into `folder` (created where missing): the same input gives the same bytes.

    index.html, list.html, crews.html, normal.html, home/<page_name>.html for the first `report.home_pages` homes
    of the list, and assets/. Pages open from disk and never reach for the network. Files already there are
    overwritten, others are left alone, so hand it an empty folder. `kept` is a folder where what the pages share may
    be found and left.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    with ThreadPoolExecutor(
        1
    ) as beside:  # the script may have to be made, which leaves Python free for the pages
        script = beside.submit(chart_script, kept)
        _write_assets(folder / "assets")
        _write_pages(folder, night, settings)
        (folder / "assets" / _BUNDLE).write_bytes(script.result())


def _write_pages(folder: Path, night: ReportInput, settings: Settings) -> None:
    own = settings.report
    pages = _environment()
    shared = {"as_of": night.as_of, "window_days": night.window_days, "model_id": night.model_id}
    chosen = night.revisit_list.sort("rank").head(own.home_pages)
    with_page = frozenset(chosen.get_column("site_id"))

    index = index_context(night, own, with_page)
    _write(folder / "index.html", pages, "index.html", {**shared, **index, "root": "."})
    crews = crews_context(night.crews, night.faults, settings.crews)
    listed = list_context(night.list_tables, night.faults, settings, with_page)
    pictured = {**shared, "root": ".", "swaps": theme.swaps()}
    told = {"doubts": doubts(night, with_page)}
    _write(folder / "crews.html", pages, "crews.html", {**pictured, **crews, **told})
    _write(folder / "list.html", pages, "list.html", {**pictured, **listed})
    normal = normal_context(night, settings.verdict, with_page)
    _write(folder / "normal.html", pages, "normal.html", {**pictured, **normal})

    scores, sites = _by_site(night.site_scores, with_page), _by_site(night.sites, with_page)
    frames = {name: _parts(getattr(night, name), with_page) for name in _PER_HOME}
    for row in chosen.iter_rows(named=True):
        site_id = row["site_id"]
        parts = {name: frames[name].get(site_id, getattr(night, name).clear()) for name in _PER_HOME}
        home = home_context(night, row, scores[site_id], sites.get(site_id, {}), parts, own)
        values = {**shared, **home, "root": "..", "swaps": theme.swaps()}
        _write(folder / "home" / page_name(site_id), pages, "home.html", values)


def script_json(value: Any) -> Markup:
    """Return JSON that may stand inside a script element: ASCII, and nothing a browser reads as markup."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _environment() -> jinja2.Environment:
    pages = environment("pipeline.report")
    pages.filters |= {
        "percent": words.percent,
        "number": words.number,
        "beside": words.likelihoods,
        "day": words.day,
        "minutes": words.minutes,
        "plain": words.plain,
        "script_json": script_json,
    }
    pages.globals["count"] = words.count
    return pages


def _write(target: Path, pages: jinja2.Environment, template: str, values: dict[str, Any]) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(pages.get_template(template).render(values).encode("utf-8"))


def _write_assets(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    static = resources.files("pipeline.report") / "static"
    for name in _OWN_ASSETS:
        (folder / name).write_bytes((static / name).read_bytes())


def _by_site(frame: pl.DataFrame, wanted: Iterable[str]) -> dict[str, dict[str, Any]]:
    kept = frame.filter(pl.col("site_id").is_in(sorted(wanted)))
    return {row["site_id"]: row for row in kept.iter_rows(named=True)}


def _parts(frame: pl.DataFrame, wanted: Iterable[str]) -> dict[str, pl.DataFrame]:
    kept = frame.filter(pl.col("site_id").is_in(sorted(wanted)))
    return {str(key[0]): part for key, part in kept.partition_by("site_id", as_dict=True).items()}
