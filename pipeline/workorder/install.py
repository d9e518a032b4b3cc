"""What of a home's record and of tonight's readings decides what its channels read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.core.services import HIGH_FROM_V, LINES, SERVICES, UNKNOWN, lines_of, service_of


@dataclass(frozen=True)
class Install:
    """What decides a reading; what is empty in the register counts as the usual.

    `service` names as many lines as the home reads; `volts` [V] is the voltage of a line to neutral, None for the
    service's own. `pv_lines` are the lines that production feeds, None for all. `is_summed`: the source exports one
    channel, the sum of all lines.
    """

    service: str
    sees_pv: bool
    cts_per_leg: int
    pv_added_back: bool
    has_pv: bool
    pv_lines: tuple[str, ...] | None = None
    is_summed: bool = False
    volts: float | None = None

    @classmethod
    def of(
        cls, register: Mapping[str, Any], score: Mapping[str, Any], signal: Mapping[str, Any] | None = None
    ) -> Install:
        """Return the install of a home: an undeclared position is upstream.

        Parameters
        ----------
        register
            The home's site record.
        score, signal
            Its rows of site_scores and site_signal; empty where it had no data.
        """
        sees_pv = register["ct_sees_pv"] is not False
        known = register["service"] or score["service"] or UNKNOWN
        is_summed = bool(register.get("lines_summed"))
        read = (signal or {}).get("line_count")
        service = known if is_summed or read is None else service_with(known, read)
        return cls(
            service=service,
            sees_pv=sees_pv,
            cts_per_leg=min(2, round(register["cts_per_leg"] or 1)),
            pv_added_back=bool(register["pv_added_back"]) and sees_pv,
            has_pv=(register["pv_kw"] or 0) > 0 or score["slope_l1"] is not None,
            pv_lines=_pv_lines(register, signal or {}, service),
            is_summed=is_summed,
            volts=service_of(known).volts if service != known else None,
        )

    @property
    def lines(self) -> tuple[str, ...]:
        """Its line conductors."""
        return service_of(self.service).lines

    @property
    def channels(self) -> tuple[str, ...]:
        """The consumption channels it has."""
        return LINES[:1] if self.is_summed else self.lines

    @property
    def pv_shares(self) -> dict[str, float]:
        """How much of the production each channel carries; their sum is 1."""
        if self.is_summed:
            return {"l1": 1.0}
        fed = self.pv_lines or self.lines
        return {line: 1 / len(fed) if line in fed else 0.0 for line in self.lines}


def service_with(service: str, line_count: int) -> str:
    """Return a service of about these volts with so many lines: what a home is that reads more or fewer than recorded.

    >>> service_with("230/400", 1), service_with("230/400", 2), service_with("120/240", 3)
    ('230', '120/208', '120/208 three-phase')
    """
    known = service_of(service)
    if known.line_count == line_count:
        return service
    is_high = known.volts > HIGH_FROM_V
    if line_count == 2:  # of three lines, 120 degrees apart
        return "120/208"
    alike = [
        name
        for name, other in SERVICES.items()
        if other.line_count == line_count and (other.volts > HIGH_FROM_V) == is_high
    ]
    return alike[-1] if alike else service


def _pv_lines(register: Mapping[str, Any], signal: Mapping[str, Any], service: str) -> tuple[str, ...] | None:
    """Return the lines that production feeds, by what tonight found, else by the record; None for all."""
    count = service_of(service).line_count
    shares = {line: signal.get(f"pv_share_{line}") for line in LINES[:count]}
    fed = tuple(line for line, share in shares.items() if share)
    if not fed and register.get("pv_on") not in (None, "all"):
        fed = lines_of(register["pv_on"], count)
    return fed if 0 < len(fed) < count else None
