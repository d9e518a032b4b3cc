"""`nightclamp orders`: writes the sheets of listed homes into OUT/orders/DATE.

A sheet is one HTML file that stands alone: styles and pictures inside, no script, nothing asked of a network.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path

import jinja2
from markupsafe import Markup

from pipeline.core.glossary import FIX_BY
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.names import page_name
from pipeline.report.page_templates import environment
from pipeline.storage.output_location import read_out
from pipeline.workorder import pdf
from pipeline.workorder.build import build_order
from pipeline.workorder.cautions import DESK, GOVERN
from pipeline.workorder.order import Order
from pipeline.workorder.tables import chosen_homes, read_night

FOLDER = "orders"


def write_orders(
    out: Path,
    sites: Sequence[str],
    settings: Settings,
    *,
    as_pdf: bool = False,
    report: Callable[[str], None] = lambda line: None,
) -> list[Path]:
    """Write orders into OUT/orders/DATE; return the HTML files in the list's order.

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
            target.write_bytes(html.encode("utf-8"))
            files = str(target)
            if as_pdf:
                printed = target.with_suffix(".pdf")
                printed.write_bytes(pdf.order_pdf(html, settings.orders.paper))
                files += f" and {printed}"
            report(f"{FIX_BY[order.kind]}: {home.site_id}: {order.suspicion}: {files}")
            written.append(target)
        address = working_out.hand_in_pages(f"{FOLDER}/{night.as_of}")
        if address != str(folder):
            report(f"orders: {address}")
    return written


def order_page(order: Order) -> str:
    """Return the sheet; the same order gives the same text."""
    return _pages().get_template(f"{order.kind}.html").render(order=order, desk_cautions=DESK, govern=GOVERN)


@cache
def _pages() -> jinja2.Environment:
    pages = environment("pipeline.workorder")
    pages.filters["svg"] = lambda picture: Markup(picture.svg)  # drawn from numbers and dates only
    return pages
