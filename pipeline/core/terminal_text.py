"""Texts of other hands on a terminal: what moves the cursor or turns the reading direction is shown, not sent."""

from __future__ import annotations

import re

# Control characters (C0, C1), lone surrogates, marks that turn the reading direction, line and paragraph separators.
_ACTING = re.compile(
    "[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]"
)
_BREAKS = re.compile(r"\s*[\r\n]+\s*")


def printable(text: str) -> str:
    r"""Return the text with acting characters as they are written in code, such as \x1b; line ends stay."""
    return _ACTING.sub(lambda sign: sign[0].encode("unicode_escape").decode("ascii"), text)


def one_line(text: object) -> str:
    """Return `printable` of the text with a blank for each line end."""
    return printable(_BREAKS.sub(" ", str(text)))
