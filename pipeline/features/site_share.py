"""Table site_share: how much of a watt of production each leg of a home sees, a row a home or pair of lines.

Columns `site_id`; `share_l1`, `share_l2`, `share_sum` [0..1], null where production doesn't feed the leg; `share_fed`
that of a leg which is fed; `lead_l1_deg`, `lead_l2_deg` [deg] by how much the current of production leads the leg's
voltage, as an inverter's does between two lines that are not opposite; `line_count` of the home.
"""

from __future__ import annotations

from typing import Any, Final

import polars as pl

from pipeline.core.line_pairs import PAIRS, SUM, under_pair
from pipeline.core.services import LINES, lines_of, service_of
from pipeline.features.pv_shares import LEAD_DEG

SITE_SHARE: Final = pl.Schema(
    {
        "site_id": pl.String(),
        **dict.fromkeys(
            ("share_l1", "share_l2", "share_sum", "share_fed", "lead_l1_deg", "lead_l2_deg"), pl.Float64()
        ),
        "line_count": pl.Int32(),
    }
)  # fmt: skip


def site_share(sites: pl.DataFrame) -> pl.DataFrame:
    """Return table site_share by the register, each home judged as one line or two.

    A service of three lines is taken as its first two, which is so where the third is never read; an inverter is taken
    to feed all of a service's lines where the register doesn't say which (`pv_on`).
    """
    register = ["service", "pv_on", "lines_summed"]
    kinds = sites.select(register).unique()
    shares = pl.DataFrame(
        [kind | _by_register(**kind) for kind in kinds.to_dicts()],
        schema={
            **sites.select(register).schema,
            **{name: SITE_SHARE[name] for name in SITE_SHARE if name != "site_id"},
        },
    )
    joined = sites.select("site_id", *register).join(
        shares, on=register, how="left", nulls_equal=True, maintain_order="left"
    )
    return joined.select(*SITE_SHARE)


def _by_register(service: str | None, pv_on: str | None, lines_summed: bool | None) -> dict[str, Any]:
    own = service_of(service)
    if own.line_count == 1 or lines_summed:
        return {
            "share_l1": 1.0, "share_l2": 1.0, "share_sum": 1.0, "share_fed": 1.0, "lead_l1_deg": 0.0,
            "lead_l2_deg": 0.0, "line_count": 1,
        }  # fmt: skip
    fed = lines_of(pv_on, own.line_count) or own.lines
    share = {line: 1 / len(fed) if line in fed else None for line in LINES}
    known = [value for line in ("l1", "l2") if (value := share[line]) is not None]
    is_between = len(fed) == 2 and 180.0 not in own.degrees
    lead = LEAD_DEG if is_between else 0.0
    is_first = own.line_count == 2 or "l2" in fed  # between lines 3 and 1, line 3 is the first
    return {
        "share_l1": share["l1"], "share_l2": share["l2"], "share_sum": sum(known) if known else None,
        "share_fed": 1 / len(fed), "lead_l1_deg": lead if is_first else -lead,
        "lead_l2_deg": -lead if "l1" in fed else lead, "line_count": 2,
    }  # fmt: skip


def share_of_pair(pv_shares: pl.DataFrame, pair: str, *, line_count: int = 3) -> pl.DataFrame:
    """Return table site_share of a pair of lines of each home, under the home's id.

    Parameters
    ----------
    pv_shares
        `pv_shares.home_shares` of the homes.
    pair
        One of `line_pairs.PAIRS`.
    line_count
        As how many lines the homes are judged.
    """

    def fed(line: str) -> pl.Expr:
        share = pl.col(f"pv_share_{line}")
        return pl.when(share > 0).then(share)

    first, second = PAIRS[pair]
    total = pl.col(f"pv_share_{first}") + pl.col(f"pv_share_{second}")
    return pv_shares.select(
        "site_id", share_l1=fed(first), share_l2=fed(second), share_sum=pl.when(total > 0).then(total),
        share_fed=pl.max_horizontal(*(f"pv_share_{line}" for line in LINES)),
        lead_l1_deg=f"pv_lead_{first}_deg", lead_l2_deg=f"pv_lead_{second}_deg",
        line_count=pl.lit(line_count, pl.Int32),
    )  # fmt: skip


def share_of_views(pv_shares: pl.DataFrame) -> pl.DataFrame:
    """Return table site_share of homes with three lines, each with its pairs and the sum under `pair_home`'s name."""
    pairs = [share_of_pair(pv_shares, "12")]
    pairs += [under_pair(share_of_pair(pv_shares, pair), pair) for pair in PAIRS if pair != "12"]
    ones = {name: pl.lit(1.0) for name in ("share_l1", "share_l2", "share_sum", "share_fed")}
    none = {name: pl.lit(0.0) for name in ("lead_l1_deg", "lead_l2_deg")}
    whole = pv_shares.select("site_id", **ones, **none, line_count=pl.lit(3, pl.Int32))
    return pl.concat([*pairs, under_pair(whole, SUM)])
