"""`nightclamp orders`: writes the sheets of listed homes into OUT/orders/DATE.

A sheet is one HTML file that stands alone: styles and pictures inside, no script, nothing asked of a network. Beside
it, in forms/, lies the form for the record of the visit. Sheets with a customer's address are their owner's to read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields
from functools import cache
from pathlib import Path

import jinja2
from markupsafe import Markup

from pipeline.core.atomic_files import write_bytes
from pipeline.core.glossary import FIX_BY
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.names import page_name
from pipeline.report.page_templates import environment
from pipeline.storage.output_location import read_out
from pipeline.storage.private_files import close_to_others
from pipeline.workorder import pdf
from pipeline.workorder.build import build_order
from pipeline.workorder.cautions import DESK, GOVERN
from pipeline.workorder.order import Order
from pipeline.workorder.tables import chosen_homes, read_night
from pipeline.workorder.visit_form import FOLDER as FORMS
from pipeline.workorder.visit_form import form_values

FOLDER = "orders"


def write_orders(
    out: Path,
    sites: Sequence[str],
    settings: Settings,
    *,
    as_pdf: bool = False,
    report: Callable[[str], None] = lambda line: None,
) -> list[Path]:
    """Write orders into OUT/orders/DATE, and their forms; return the orders' HTML files in the list's order.

    Parameters
    ----------
    out
        The OUT of `nightly`.
    sites
        Listed homes; empty for the first [orders] homes of the list.
    settings
        [orders], [report], [visits] and [object_store].
    as_pdf
        Write a PDF beside each page.
    report
        Called with a line a sheet.

    Raises
    ------
    InputError
        Nothing is published in `out`, a home is not on the list, or PDF is asked for and can't be written here.
    """
    if as_pdf:
        pdf.load_library()  # what is missing is said before anything is written
    written = []
    with read_out(out, settings) as working_out:
        night = read_night(working_out.local)
        folder = working_out.local / FOLDER / str(night.as_of)
        chosen = chosen_homes(night, sites, settings.orders.homes)
        folder.mkdir(parents=True, exist_ok=True)
        for home in night.homes(chosen):
            order = build_order(home, CATALOGUE, settings)
            html = order_page(order)
            target = folder / page_name(home.site_id)
            write_bytes(target, html.encode("utf-8"))
            write_bytes(folder / FORMS / target.name, form_page(order).encode("utf-8"))
            if as_pdf:
                write_bytes(target.with_suffix(".pdf"), pdf.order_pdf(html, settings.orders.paper))
            if any(order.contact):
                close_to_others(target, target.with_suffix(".pdf"))
            report(f"{FIX_BY[order.kind]}: {home.site_id}: {order.suspicion}: {target}")
            written.append(target)
        address = working_out.hand_in_pages(f"{FOLDER}/{night.as_of}")
        if address != str(folder):
            report(f"orders: {address}")
    return written


def order_page(order: Order) -> str:
    """Return the sheet; the same order gives the same text."""
    return (
        _pages()
        .get_template(f"{order.kind}.html")
        .render(
            order=order, page=page_name(order.site_id), density=density(order), desk_cautions=DESK, govern=GOVERN
        )
    )  # fmt: skip


# Characters from which on the type is set smaller, so that all is on one page of paper.
_DENSITIES = {"densest": 3600, "denser": 3150, "dense": 2600, "": 0}


def density(order: Order) -> str:
    """Return the class of type size on paper by how much the order says, so that all of it is on one page."""
    said = [getattr(order, field.name) for field in fields(order) if field.name not in ("pictures", "record")]
    length = _length(tuple(said))
    return next(name for name, least in _DENSITIES.items() if length >= least)


def _length(value: object) -> int:
    """Return the characters of all texts in it."""
    if isinstance(value, str):
        return len(value)
    if isinstance(value, dict):
        return _length(tuple(value.values()))
    return sum(map(_length, value)) if isinstance(value, tuple) else 0


def form_page(order: Order) -> str:
    """Return the visit record as a form for a phone; the same order gives the same text."""
    return _pages().get_template("visit_form.html").render(form_values(order))


@cache
def _pages() -> jinja2.Environment:
    pages = environment("pipeline.workorder")
    pages.filters["svg"] = lambda picture: Markup(picture.svg)  # drawn from numbers and dates only
    return pages
