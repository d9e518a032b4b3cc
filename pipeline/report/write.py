"""Writes the report folder: the first page, a page a home, the crews' pages and their local assets."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
import polars as pl

from pipeline.core.settings import Settings
from pipeline.report import theme
from pipeline.report.bundle import chart_script
from pipeline.report.crew_homes_page import crew_contexts
from pipeline.report.crews_page import crews_context
from pipeline.report.home_lines import fleet_line_count, with_line_counts
from pipeline.report.home_page import home_context
from pipeline.report.home_records import home_records
from pipeline.report.home_scripts import write_home_scripts
from pipeline.report.homes_page import homes_context
from pipeline.report.index_page import index_context
from pipeline.report.list_page import list_context
from pipeline.report.map_page import map_context
from pipeline.report.names import page_name
from pipeline.report.normal_page import normal_context
from pipeline.report.page_templates import environment, write_page
from pipeline.report.report_input import FaultCard, ReportInput
from pipeline.report.safety_page import safety_context, safety_page_of
from pipeline.report.trend_page import trend_context
from pipeline.report.visit_rows import doubt_rows

_ASSETS = ("report.css", "list.js", "sort.js", "charts.js", "search.js", "homes.js")
_OF_HOME = ("site_scores", "sites", "site_weight", "site_daily", "site_hour")
_OF_CALL = ("site_scores", "sites", "revisit_list", "safety_day", "home_story")


def write_report(
    folder: Path, night: ReportInput, settings: Settings, *, script_cache: Path | None = None
) -> None:
    """Write the night's report: the same input gives the same bytes.

    index.html, homes.html (any home, by its packed record), map.html, trend.html, list.html, crews.html, normal.html,
    home/<page_name>.html for the first `report.home_pages` homes of the list, safety/<page_name>.html for as many open
    safety calls, crew/<page_name>.html for each crew with installs, and assets/. Pages open from disk and never reach
    for the network.

    Parameters
    ----------
    folder
        Created where missing. Files already there are overwritten, others are left alone, so hand it an empty one.
    night
        What the pages show.
    settings
        [report], [crews], [ranking], [hit_rate] and [verdict].
    script_cache
        A folder where the pages' chart script may be found and left.

    Raises
    ------
    OSError
        The folder or a file in it cannot be written.
    """
    assets = folder / "assets"
    with ThreadPoolExecutor(1) as pool:  # making the script leaves Python free for the pages
        script = pool.submit(chart_script, script_cache)
        assets.mkdir(parents=True, exist_ok=True)
        for name in _ASSETS:
            static = resources.files("pipeline.report") / "static" / name
            (assets / name).write_bytes(static.read_bytes())
        write_home_scripts(assets, home_records(night, _write_pages(folder, night, settings)))
        (assets / "vega.js").write_bytes(script.result())


def report_environment(
    faults: Mapping[str, FaultCard],
    with_page: Collection[str],
    with_call: Collection[str] = (),
    *,
    line_count: int | None = None,
) -> jinja2.Environment:
    """Return the report's templates, which name `faults` and link homes to their pages.

    Parameters
    ----------
    faults
        What they are called, and what is said of them.
    with_page, with_call
        Homes that have a page of their own, and one about their safety call.
    line_count
        The most lines that a home of the fleet has; None: two.
    """
    pages = environment("pipeline.report", faults, line_count)
    pages.globals["page_of"] = lambda site_id: f"home/{page_name(site_id)}" if site_id in with_page else None
    pages.globals["safety_page_of"] = lambda site_id: (
        safety_page_of(site_id) if site_id in with_call else None
    )
    return pages


def _write_pages(folder: Path, night: ReportInput, settings: Settings) -> dict[str, str]:
    """Write every page and return the address of each home's own page, if it has one: of its safety call first."""
    chosen = night.revisit_list.sort("rank").head(settings.report.home_pages)
    sites = frozenset(chosen["site_id"])
    calls = night.safety_call.filter("is_open").head(settings.report.home_pages)  # most urgent first
    night = replace(night, site_scores=with_line_counts(night.site_scores, night.sites))
    line_count = fleet_line_count(night.site_scores, night.sites)
    pages = report_environment(night.faults, sites, frozenset(calls["site_id"]), line_count=line_count)
    shared = {
        "as_of": night.as_of, "window_days": night.window_days, "model_id": night.model_id, "root": ".",
        "swaps": theme.swaps(),
    }  # fmt: skip
    contexts: dict[str, dict[str, Any]] = {
        "index": index_context(night, settings.report),
        "homes": homes_context(night),
        "map": map_context(night),
        "trend": trend_context(night),
        "list": list_context(night, settings),
        "crews": crews_context(night.crews, settings.crews, line_count=line_count)
        | {"doubts": doubt_rows(night)},
        "normal": normal_context(night, settings.verdict),
    }
    for name, context in contexts.items():
        write_page(folder / f"{name}.html", pages, f"{name}.html", values=shared | context)
    for crew_id, context in crew_contexts(night.crews, night.site_scores, settings.crews):
        values = shared | {"root": ".."} | context
        write_page(folder / "crew" / page_name(crew_id), pages, "crew.html", values=values)
    frames = {name: getattr(night, name) for name in _OF_HOME}
    parts = {
        name: frame.filter(pl.col("site_id").is_in(sorted(sites))).partition_by("site_id", as_dict=True)
        for name, frame in frames.items()
    }
    for row in chosen.iter_rows(named=True):
        site = row["site_id"]
        tables = {name: parts[name].get((site,), frame.clear()) for name, frame in frames.items()}
        values = shared | {"root": ".."} | home_context(night, row, tables, settings=settings.report)
        write_page(folder / "home" / page_name(site), pages, "home.html", values=values)
    _write_safety_pages(folder, night, calls, pages=pages, shared=shared, settings=settings)
    home_pages = {site: f"home/{page_name(site)}" for site in sorted(sites)}
    return home_pages | {site: safety_page_of(site) for site in calls["site_id"]}


def _write_safety_pages(
    folder: Path,
    night: ReportInput,
    calls: pl.DataFrame,
    *,
    pages: jinja2.Environment,
    shared: dict[str, Any],
    settings: Settings,
) -> None:
    """Write the page of each open safety call."""
    of_homes = pl.col("site_id").is_in(calls["site_id"].to_list())
    frames = {name: getattr(night, name).filter(of_homes) for name in _OF_CALL}
    parts = {name: frame.partition_by("site_id", as_dict=True) for name, frame in frames.items()}
    for call in calls.iter_rows(named=True):
        site = call["site_id"]
        tables = {name: parts[name].get((site,), frame.clear()) for name, frame in frames.items()}
        values = shared | {"root": ".."} | safety_context(night, call, tables, settings=settings.verdict)
        write_page(folder / safety_page_of(site), pages, "safety_home.html", values=values)
