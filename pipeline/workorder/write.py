"""`nightclamp orders`: writes the sheets of listed homes into OUT/orders/DATE."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.names import page_name
from pipeline.storage.output_location import read_out
from pipeline.workorder import pdf
from pipeline.workorder.build import build_order
from pipeline.workorder.page import order_page
from pipeline.workorder.tables import NightTables, chosen_homes, read_night

FOLDER = "orders"


def write_orders(
    out: Path,
    sites: Sequence[str],
    settings: Settings,
    *,
    as_pdf: bool = False,
    tell: Callable[[str], None] = lambda line: None,
) -> list[Path]:
    """Write the orders of `sites`, or of the first [orders] homes of the list; return the HTML files in its order.

    Raises
    ------
    InputError
        Nothing is published in `out`, a home is not on the list, or PDF is asked for and can't be written here.
    """
    if as_pdf and (lack := pdf.missing()):
        raise InputError(lack)
    with read_out(out, settings) as held:
        night = read_night(held.local)
        chosen = chosen_homes(night, sites, settings.orders.homes)
        folder = f"{FOLDER}/{night.as_of}"
        written = write_sheets(held.local / folder, night, chosen, settings, as_pdf=as_pdf, tell=tell)
        kept = held.hand_in_pages(folder)
        if kept != str(held.local / folder):
            tell(f"orders: {kept}")
    return written


def write_sheets(
    folder: Path,
    night: NightTables,
    chosen: Sequence[str],
    settings: Settings,
    *,
    as_pdf: bool = False,
    tell: Callable[[str], None] = lambda line: None,
) -> list[Path]:
    """Write these listed homes' sheets into `folder` (created where missing), named by `page_name`."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for home in night.homes(chosen):
        order = build_order(home, night.as_of, CATALOGUE, settings)
        html = order_page(order)
        target = folder / page_name(home.site_id)
        target.write_bytes(html.encode("utf-8"))
        if as_pdf:
            target.with_suffix(".pdf").write_bytes(pdf.order_pdf(html, settings.orders.paper))
        tell(f"{order.kind} order: {home.site_id}: {order.suspicion}: {target}")
        written.append(target)
    return written
