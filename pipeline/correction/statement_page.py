"""Pages of corrected energy for a customer-service desk: a first page of the fleet, and one a home."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jinja2
import polars as pl

from pipeline.core.atomic_files import write_bytes
from pipeline.core.glossary import POSITIONS, SERVICES
from pipeline.core.setting_sections import CorrectionSettings
from pipeline.correction import statement_words
from pipeline.correction.layout import EMPTY, ESTIMATED, FOUND
from pipeline.correction.statement import Statement
from pipeline.correction.statement_chart import daily_energy
from pipeline.report import theme, words
from pipeline.report.bundle import chart_script
from pipeline.report.fault_cards import cards_for, fault_cards
from pipeline.report.home_lines import line_counts
from pipeline.report.names import page_name
from pipeline.report.page_templates import environment

FILES = {
    "statement.csv": "a row a home and fault: energies, ranges, hours, the utility's meter",
    "statement_month.csv": "the same by month",
    "statement_day.csv": "the same by day",
    "statement_fleet.csv": "the same by fault, over all homes",
    "statement_reason.csv": "how long readings were put right, estimated or left empty, and why",
    "not_corrected.csv": "homes of which nothing was put right, and why",
}
_ASSETS = ("report.css", "charts.js", "sort.js")
_NIGHT_REPORT = Path("../../latest/report/index.html")  # from the pages' folder


def write_pages(
    folder: Path, statement: Statement, sites: pl.DataFrame, *, as_of: date, settings: CorrectionSettings
) -> Path:
    """Write index.html, home/<page_name>.html of the first `home_pages` homes and assets/; return the first page.

    Homes come by how many kWh were misreported. Each file is replaced in one step; pages of homes that are no longer
    among them are removed. Pages open from disk and never reach for the network.

    Parameters
    ----------
    folder
        OUT/corrected/report.
    statement
        The tables.
    sites
        The contract's register of homes.
    as_of
        The night.
    settings
        [correction].
    """
    assets = folder / "assets"
    for name in _ASSETS:
        write_bytes(assets / name, (resources.files("pipeline.report") / "static" / name).read_bytes())
    counts = line_counts(statement.episode.select("site_id").unique(), sites)
    named = statement.episode.join(counts, on="site_id", how="left", maintain_order="left")
    statement = replace(statement, episode=named)
    episodes = _ranked(statement.episode)
    with_page = list(dict.fromkeys(episodes["site_id"]))[: settings.home_pages]
    write_bytes(assets / "vega.js", chart_script(assets.parent.parent.parent / "store" / "charts"))
    report = _NIGHT_REPORT.as_posix() if (folder / _NIGHT_REPORT).is_file() else None
    pages = _environment(set(with_page), as_of, line_count=max(counts["line_count"].to_list(), default=2))
    index = folder / "index.html"
    _write(
        index,
        pages,
        "corrections.html",
        index_context(statement, with_page) | {"root": ".", "report": report},
    )
    about = {
        row["site_id"]: row for row in sites.filter(pl.col("site_id").is_in(with_page)).iter_rows(named=True)
    }
    parts = {
        name: table.filter(pl.col("site_id").is_in(with_page)).partition_by("site_id", as_dict=True)
        for name, table in (("episode", episodes), ("day", statement.day), ("month", statement.month),
                            ("reason", statement.reason))
    }  # fmt: skip
    for site in with_page:
        tables = {name: found[(site,)] for name, found in parts.items()}
        record = f"../../../latest/report/homes.html#{quote(site, safe='')}" if report else None
        values = home_context(site, tables, about.get(site, {})) | {"root": "..", "record": record}
        up = {"report": f"../{report}" if report else None}
        _write(folder / "home" / page_name(site), pages, "corrected_home.html", values | up)
    current = {page_name(site) for site in with_page}
    for page in (folder / "home").glob("*.html"):
        if page.name not in current:
            page.unlink()
    return index


def index_context(statement: Statement, with_page: list[str]) -> dict[str, Any]:
    """Return what the first page shows."""
    fleet = statement.fleet.to_dicts()
    shown = statement.episode.filter(pl.col("site_id").is_in(with_page))
    reasons = (
        statement.not_corrected.group_by("reason")
        .agg(homes=pl.col("site_id").n_unique(), episodes=pl.len())
        .sort(["homes", "reason"], descending=[True, False])
    )
    return {
        "total": fleet[0] if statement.episode.height else None,
        "faults": fleet[1:],
        "episodes": [row | {"headline": statement_words.headline(row)} for row in _ranked(shown).to_dicts()],
        "episodes_in_all": statement.episode.height,
        "not_corrected": reasons.to_dicts(),
        "not_corrected_homes": statement.not_corrected["site_id"].n_unique(),
        "files": FILES,
    }


def home_context(site_id: str, tables: Mapping[str, pl.DataFrame], site: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a home's page shows.

    Parameters
    ----------
    site_id
        The home.
    tables
        Its rows of the statement: episode (with `line_count`, how many lines the home has), day, month and reason.
    site
        Its row of the register, empty where there is none.
    """
    cards = fault_cards()
    episodes = tables["episode"].sort("from_on").to_dicts()
    parts = []
    for row in episodes:
        of_episode = pl.col("from_on") == row["from_on"]
        reasons = tables["reason"].filter(of_episode).to_dicts()
        quantity = statement_words.headline(row)
        card = cards_for(cards, row["line_count"]).get(row["fault"])
        parts.append(
            {
                "row": row,
                "story": card.story if card else "",
                "quantities": statement_words.shown_quantities(row),
                "quantity": quantity,
                "months": tables["month"].filter(of_episode).sort("month").to_dicts() if quantity else [],
                "picture": _picture(tables["day"].filter(of_episode), row, quantity),
                "reasons": [
                    text for method in (ESTIMATED, EMPTY) for text in statement_words.why(reasons, method)
                ],
            }
        )
    return {
        "site_id": site_id,
        "area": site.get("area"),
        "facts": _facts(episodes[0], site),
        "episodes": parts,
    }


def _facts(row: Mapping[str, Any], site: Mapping[str, Any]) -> str:
    """Return what the site record says of the install, in a line."""
    position = "production added back" if row["is_added_back"] else POSITIONS.get(row["is_upstream"])
    size = site.get("pv_kw")
    solar = size and f"{words.number(size, 1)} kW of PV"
    facts = (SERVICES.get(site.get("service") or ""), position and f"CTs {position}", solar)
    return ", ".join(filter(None, facts))


def _picture(days: pl.DataFrame, row: Mapping[str, Any], quantity: str | None) -> dict[str, Any]:
    """Return the figure of the days of an episode."""
    name = statement_words.QUANTITIES[quantity] if quantity else ""
    spec = daily_energy(days, quantity, f"{name}, kWh a day") if quantity else None
    is_exact = quantity is not None and statement_words.span(row, quantity) == statement_words.SAME
    band = "" if is_exact else "The band is each day's 95 % range. "
    return {
        "id": f"days-{row['from_on']}", "title": f"{words.sentence(name).removesuffix('.')}, kWh a day", "spec": spec,
        "caption": f"{band}Gaps are days without readings.", "empty": "No day of it could be put right.",
    }  # fmt: skip


def _ranked(episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes by how many kWh their home misreported, most first."""
    off = pl.coalesce("use_kwh_difference", "net_kwh_difference").abs()
    of_home = pl.when(off.count() > 0).then(off.sum()).otherwise(-1).over("site_id")
    return episodes.sort(of_home, "site_id", "from_on", descending=[True, False, False])


def _environment(with_page: set[str], as_of: date, *, line_count: int) -> jinja2.Environment:
    pages = environment("pipeline.correction", fault_cards(), line_count)
    for name in (
        "kwh",
        "period",
        "basis",
        "energy",
        "heading",
        "hours",
        "hours_of",
        "meter",
        "month",
        "unmeasured",
    ):
        pages.filters[name] = getattr(statement_words, name)
    pages.globals |= {
        "as_of": as_of,
        "span": statement_words.span,
        "difference": statement_words.difference,
        "quantity_names": statement_words.QUANTITIES,
        "cautions": statement_words.CAUTIONS,
        "found": FOUND,
        "swaps": theme.swaps(),
        "page_of": lambda site_id: f"home/{page_name(site_id)}" if site_id in with_page else None,
    }
    return pages


def _write(target: Path, pages: jinja2.Environment, template: str, values: Mapping[str, Any]) -> None:
    write_bytes(target, pages.get_template(template).render(values).encode("utf-8"))
