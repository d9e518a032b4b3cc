"""The sheet as PDF, by WeasyPrint from the same HTML; the type shrinks until all is on one page.

WeasyPrint is the library since it is pure Python, old and cared for, prints CSS as a browser does, embeds text as text
and SVG as lines, and writes the same bytes twice. What it needs beside is Pango, a package of every desktop and server.
"""

from __future__ import annotations

import logging
import warnings
from typing import Any

from pipeline.core.errors import InputError

# Share of the usual type size, tried in turn; the last is kept even if it doesn't fit.
_POINTS = 8.5  # usual type size on paper
_SIZES = (1.0, 0.95, 0.9, 0.85, 0.8)
_NEEDS = (
    "PDF needs WeasyPrint and Pango: pip install 'nightclamp[pdf]', and on Debian apt-get install "
    "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core; or leave --pdf off"
)


def order_pdf(html: str, paper: str) -> bytes:
    """Return the sheet on `paper` ("letter" or "a4"): one page unless it can't be set smaller; same HTML, same bytes.

    Raises
    ------
    InputError
        WeasyPrint or its Pango is not installed.
    """
    library = load_library()
    fonts = library.text.fonts.FontConfiguration()
    for size in _SIZES:
        style = library.CSS(
            string=f"@page {{ size: {paper} }} html {{ font-size: {_POINTS * size:.2f}pt !important }}",
            font_config=fonts,
        )
        sheet = library.HTML(string=html, base_url=None, url_fetcher=_no_fetch).render(
            stylesheets=[style], font_config=fonts
        )
        if len(sheet.pages) == 1:
            break
    written: bytes = sheet.write_pdf(pdf_identifier=b"nightclamp")
    return written


def load_library() -> Any:
    """Return WeasyPrint; InputError says in a line what this machine lacks for it."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # it says what the next lines find out
            import weasyprint
            import weasyprint.text.fonts
    except (ImportError, OSError) as error:
        raise InputError(f"{_NEEDS} ({' '.join(str(error).split())[:120]})") from error
    if weasyprint.text.ffi.harfbuzz_subset is None:  # fonts are then cut another way, by the clock
        raise InputError(f"{_NEEDS} (there is no HarfBuzz-Subset)")
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    return weasyprint


def _no_fetch(url: str, *args: Any, **kwargs: Any) -> Any:
    raise ValueError("a sheet asks for nothing outside itself")
