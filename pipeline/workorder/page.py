"""An order as one HTML file that stands alone: styles and pictures inside, no script, nothing asked of a network."""

from __future__ import annotations

from functools import cache

import jinja2
from markupsafe import Markup

from pipeline.report import words
from pipeline.report.page_templates import environment
from pipeline.workorder.cautions import DESK, GOVERN
from pipeline.workorder.order import Order, Picture


def order_page(order: Order) -> str:
    """Return the sheet; the same order gives the same text."""
    return _pages().get_template(f"{order.kind}.html").render(order=order, desk_cautions=DESK, govern=GOVERN)


def _svg(picture: Picture) -> Markup:
    """Return the picture's SVG as markup: it is drawn from numbers and dates only."""
    return Markup(picture.svg)


@cache
def _pages() -> jinja2.Environment:
    pages = environment("pipeline.workorder")
    pages.filters |= {"percent": words.percent, "day": words.day, "minutes": words.minutes, "svg": _svg}
    return pages
