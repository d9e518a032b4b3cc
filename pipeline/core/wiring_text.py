"""A wiring of a home's CTs in words: which line each channel's CT is on, and which are turned.

Files write the channels in order, each with its line and the CT's sign: "l2+ l1- l3+".
"""

from __future__ import annotations

from typing import NamedTuple

from pipeline.core.services import LINES


class ChannelCT(NamedTuple):
    """Where the CT of a channel ("l1") is: on which line, and whether it is turned."""

    channel: str
    line: str
    is_turned: bool

    @property
    def is_right(self) -> bool:
        """Whether it is on its own line and not turned."""
        return self.channel == self.line and not self.is_turned


def read_wiring(code: str) -> list[ChannelCT]:
    """Return where each channel's CT is.

    Raises
    ------
    ValueError
        The text is no wiring.
    """
    found = []
    for position, part in enumerate(code.split(), start=1):
        line, sign = part[:-1], part[-1:]
        if sign not in ("+", "-") or line not in LINES:
            raise ValueError(f"no wiring: {code!r}")
        found.append(ChannelCT(f"l{position}", line, sign == "-"))
    if not found:
        raise ValueError("no wiring: it is empty")
    return found


def spell_wiring(code: str) -> str:
    """Return the wiring in words, what is wrong first.

    >>> spell_wiring("l1+ l3- l2+")
    'CT of channel L2 is on line L3, turned; CT of channel L3 is on line L2; CT of channel L1 is right'
    >>> spell_wiring("l1+ l2+ l3+")
    'every CT is on its own line, none is turned'
    """
    cts = read_wiring(code)
    wrong = [_spell(ct) for ct in cts if not ct.is_right]
    right = [ct.channel.upper() for ct in cts if ct.is_right]
    if not wrong:
        return "every CT is on its own line, none is turned"
    rest = (
        f"CT of channel {right[0]} is right"
        if len(right) == 1
        else f"CTs of channels {' and '.join(right)} are right"
    )
    return "; ".join((*wrong, rest) if right else wrong)


def _spell(ct: ChannelCT) -> str:
    channel, line = ct.channel.upper(), ct.line.upper()
    if ct.channel == ct.line:
        return f"CT of channel {channel} is turned, on its own line"
    return f"CT of channel {channel} is on line {line}{', turned' if ct.is_turned else ''}"
