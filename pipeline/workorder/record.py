"""What to write down: the fields of a row for the lake's visits, as the contract has them, and the readings."""

from __future__ import annotations

from pipeline.core.contract import FINDINGS, Visit
from pipeline.workorder.order import Case


def visit_fields(case: Case) -> tuple[tuple[str, str], ...]:
    """Return (field, what is allowed there), in the contract's order; "" is left to be written."""
    legs = [leg for leg in ("l1", "l2", "both") if leg in case.install.channels or leg == "both"]
    if case.install.service == "single":
        legs = ["l1"]
    told = {
        "site_id": case.home.site_id,
        "visited_on": "",
        "found": " · ".join(FINDINGS),
        "leg": " · ".join([*legs, "empty"]),
        "fixed": "true · false",
    }
    return tuple((name, told.get(name, "")) for name in Visit.columns())
