"""The slope on PV that each channel should have: minus its share of the production, where its CTs see that."""

from __future__ import annotations

from pipeline.report.right_slopes import Expected
from pipeline.workorder.order import Case


def upstream_slopes(case: Case) -> Expected:
    """Return the slope on PV [W/W] of right channels upstream, without production added back: minus their share."""
    slopes = {channel: -share for channel, share in case.install.pv_shares.items()}
    return slopes if len(set(slopes.values())) > 1 else next(iter(slopes.values()))


def right_slopes(case: Case) -> dict[str, float]:
    """Return the slope [W/W] that each channel which carries production has as the home is declared.

    Empty where the sun proves nothing there.
    """
    if not case.install.sees_pv or case.install.pv_added_back:
        return {}
    return {channel: -share for channel, share in case.install.pv_shares.items() if share}
