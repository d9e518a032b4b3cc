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
from pipeline.storage.object_url import object_url
from pipeline.storage.output_location import read_out
from pipeline.storage.private_files import OWNER_FILE, close_to_others
from pipeline.workorder import pdf
from pipeline.workorder.build import build_order
from pipeline.workorder.cautions import DESK, GOVERN
from pipeline.workorder.order import Order
from pipeline.workorder.safety_sheet import SafetySheet, safety_sheets, template_values
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
    """Write call sheets, orders and their forms into OUT/orders/DATE; return the sheets' and orders' HTML files.

    Open safety calls come first, then the list in its order.

    Parameters
    ----------
    out
        The OUT of `nightly`.
    sites
        Listed homes, or homes with an open safety call; empty for all such calls and the first [orders] homes of the
        list.
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
    written: list[Path] = []
    with read_out(out, settings) as working_out:
        night = read_night(working_out.local)
        if object_url(out):  # others may read there
            night = night.shared_by(settings.privacy)
        folder = working_out.local / FOLDER / str(night.as_of)
        sheets = safety_sheets(night, sites, settings=settings.verdict)
        listed = night.frames["revisit_list"]["site_id"]
        only_called = {sheet.site_id for sheet in sheets} - set(listed)
        named = [site for site in sites if site not in only_called]
        chosen = chosen_homes(night, named, settings.orders.homes) if named or not sites else []
        folder.mkdir(parents=True, exist_ok=True)
        _, (homes, _) = working_out.pages(night.as_of)
        report_folder = f"../../{homes.removesuffix('/home')}"

        def write(html: str, name: str, told: str, *, has_contact: bool) -> None:
            target = folder / name
            mode = OWNER_FILE if has_contact else None
            write_bytes(target, html.encode("utf-8"), mode=mode)
            files = str(target)
            if as_pdf:
                printed = target.with_suffix(".pdf")
                write_bytes(printed, pdf.order_pdf(html, settings.orders.paper), mode=mode)
                files += f" and {printed}"
            if has_contact:  # one printed by an earlier run
                close_to_others(target.with_suffix(".pdf"))
            report(f"{told}: {files}")
            written.append(target)

        for sheet in sheets:
            name, told = f"safety-{page_name(sheet.site_id)}", f"safety call: {sheet.site_id}: {sheet.status}"
            write(safety_page(sheet), name, told, has_contact=any(sheet.contact))
        for home in night.homes(chosen):
            order = build_order(home, CATALOGUE, settings)
            name, told = page_name(home.site_id), f"{FIX_BY[order.kind]}: {home.site_id}: {order.suspicion}"
            write_bytes(folder / FORMS / name, form_page(order).encode("utf-8"))
            write(order_page(order, report_folder), name, told, has_contact=any(order.contact))
        address = working_out.hand_in_pages(f"{FOLDER}/{night.as_of}")
        if address != str(folder):
            report(f"orders: {address}")
    return written


def order_page(order: Order, report: str = "") -> str:
    """Return the sheet, which links the pages in the folder `report` if it is given; the same gives the same text."""
    return (
        _pages()
        .get_template(f"{order.kind}.html")
        .render(
            order=order, page=page_name(order.site_id), report=report, density=density(order), desk_cautions=DESK,
            govern=GOVERN,
        )
    )  # fmt: skip


# Characters from which on the type is set smaller, so that all is on one page of paper.
_DENSITIES = {"densest": 3600, "denser": 3150, "dense": 2600, "": 0}
_ROOM_WITHOUT_TEST = 1.4


def density(order: Order) -> str:
    """Return the class of type size on paper by how much the order says, so that all of it is on one page.

    An order of three lines has a second page, of the known-load test and the record, which leaves more room on the
    first.
    """
    overleaf = ("known_load", "key", "expectations", "prove") if order.key.meanings else ()
    left_out = ("pictures", "record", *overleaf)
    length = _length(
        tuple(getattr(order, field.name) for field in fields(order) if field.name not in left_out)
    )
    room = _ROOM_WITHOUT_TEST if overleaf else 1.0
    return next(name for name, least in _DENSITIES.items() if length >= least * room)


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


def safety_page(sheet: SafetySheet) -> str:
    """Return the call sheet of a safety call; the same sheet gives the same text."""
    return _pages().get_template("safety.html").render(template_values(sheet))


@cache
def _pages() -> jinja2.Environment:
    pages = environment("pipeline.workorder")
    pages.filters["svg"] = lambda picture: Markup(picture.svg)  # drawn from numbers and dates only
    return pages
