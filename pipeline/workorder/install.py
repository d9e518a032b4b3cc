"""An install as the register describes it, as a circuit that can be asked what a known load would read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.faults.clamps import Wiring


@dataclass(frozen=True)
class Install:
    """What of the register decides a reading; what is empty there counts as the usual."""

    service: str
    sees_pv: bool
    cts_per_leg: int
    pv_added_back: bool
    has_pv: bool

    @classmethod
    def of(cls, register: Mapping[str, Any], score: Mapping[str, Any]) -> Install:
        """Return the install of a home: an empty service is 120/240, an undeclared position is upstream."""
        sees_pv = register["ct_sees_pv"] is not False
        return cls(
            service=register["service"] or score["service"] or "120/240",
            sees_pv=sees_pv,
            cts_per_leg=min(2, round(register["cts_per_leg"] or 1)),
            pv_added_back=bool(register["pv_added_back"]) and sees_pv,
            has_pv=(register["pv_kw"] or 0) > 0 or score["slope_l1"] is not None,
        )

    @property
    def channels(self) -> tuple[str, ...]:
        """The consumption channels it has."""
        return ("l1",) if self.service == "single" else ("l1", "l2")

    def wiring(self, *, sees_pv: bool | None = None, cts_per_leg: int | None = None) -> Wiring:
        """Return its right wiring, or that of another position or number of clamps."""
        return Wiring.sound(
            self.service,
            ct_sees_pv=self.sees_pv if sees_pv is None else sees_pv,
            cts_per_leg=self.cts_per_leg if cts_per_leg is None else cts_per_leg,
            pv_added_back=self.pv_added_back,
        )
