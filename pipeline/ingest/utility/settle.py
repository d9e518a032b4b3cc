"""Settles some homes' parsed rows of all files: each is used, a duplicate, or rejected with its reason.

Of several rows for one home, interval and column the one published last wins (an entry's own time; else the file's),
then the later file, then the later row. Import and export of an interval may come from two rows; a net from one that
stands alone. Rows of another length than most of a home's that overlap those are rejected.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import combinations

import numpy as np
import polars as pl

from pipeline.core import contract
from pipeline.ingest.row_config import ENERGIES
from pipeline.ingest.utility.layout import UTILITY
from pipeline.ingest.utility.steps import HOME_NO, with_counted_steps

USED, DUPLICATE, REJECTED = "used", "duplicate", "rejected"
_KEY = ["site_id", "interval_start", "minutes"]
_ROW, _KEY_NO = "_row", "_key_no"


def settle(rows: pl.DataFrame, *, as_of: date) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (rows with their `fate` and `reason`, the table UTILITY of the used ones).

    Parameters
    ----------
    rows
        PARSED with site_id and kind of the home's meter, `arrival` (number of the file) and `arrived_at` (its time,
        UTC) and most_w, what the home's service can carry [W]. All rows of a home must be there.
    as_of
        The night's day: readings after it are not known yet.
    """
    rows = rows.with_row_index(_ROW).with_columns(
        reason=pl.coalesce("reason", _kind_reason(), _beyond_service(), _late(as_of))
    )
    good, refused = _without_rivals(_numbered(rows.filter(pl.col("reason").is_null())))
    good = with_counted_steps(good).sort(
        pl.coalesce("version", "arrived_at"), "arrival", "source_row", maintain_order=True
    )
    keys = _winners(good)
    keys, overlapping = _without_overlaps(keys)
    refused |= overlapping
    is_used = np.zeros(rows.height, dtype=bool)
    for name in ENERGIES:
        is_used[keys[f"{name}_{_ROW}"].drop_nulls().to_numpy()] = True
    reasons = pl.DataFrame(
        {_ROW: list(refused), "late": list(refused.values())},
        schema={_ROW: rows.schema[_ROW], "late": pl.String},
    )
    steps = good.select(_ROW, counted_wh="step_wh")
    settled = rows.with_columns(pl.Series("is_used", is_used))
    for found in (reasons, steps):
        settled = settled.join(found, on=_ROW, how="left", maintain_order="left")
    settled = settled.with_columns(reason=pl.coalesce("reason", "late"), step_wh="counted_wh")
    is_refused = pl.col("reason").is_not_null()
    fate = pl.when(is_refused).then(pl.lit(REJECTED)).when("is_used").then(pl.lit(USED))
    settled = settled.with_columns(fate=fate.otherwise(pl.lit(DUPLICATE)))
    return settled.drop(_ROW, "late", "counted_wh", "is_used"), _as_utility(keys)


def _numbered(good: pl.DataFrame) -> pl.DataFrame:
    """Return what is needed of good rows, with whole numbers for home (HOME_NO) and for home, start and length."""
    home = pl.col("site_id").cast(pl.Categorical).to_physical().cast(pl.Int64)
    start_min = pl.col("interval_start").dt.epoch("us") // 60_000_000
    columns = ("usage_point", "usage_point_id", "step_wh", "version", "arrival", "arrived_at", "source_row")
    return good.select(
        _ROW,
        *_KEY,
        *ENERGIES,
        *columns,
        home.alias(HOME_NO),
        (home * 2**34 + start_min * 2**6 + pl.col("minutes")).alias(_KEY_NO),
    )


def _kind_reason() -> pl.Expr:
    gives = pl.col("export_wh").is_not_null() | pl.col("net_wh").is_not_null()
    told = "meters has the kind import, but the reading is of export or net"
    return pl.when((pl.col("kind") == contract.IMPORT_METER) & gives).then(pl.lit(told))


def _beyond_service() -> pl.Expr:
    """Return why an energy can't be: more than the service carries, as where a multiplier is wrong by a thousand."""
    most_wh = pl.col("most_w") * pl.col("minutes") / 60
    return pl.coalesce(
        pl.when(pl.col(name).abs() > most_wh).then(
            pl.format(f"{name} {{}} Wh is more than the home's service carries in {{}} min", name, "minutes")
        )
        for name in ENERGIES
    )


def _late(as_of: date) -> pl.Expr:
    after = datetime.combine(as_of, datetime.min.time()) + timedelta(days=1)
    told = pl.format("{} lies after the as-of day", pl.col("interval_start").dt.strftime("%Y-%m-%d %H:%M"))
    return pl.when(pl.col("interval_start") >= after).then(told)


def _without_rivals(good: pl.DataFrame) -> tuple[pl.DataFrame, dict[int, str]]:
    """Refuse intervals of a home that two usage points count otherwise: which of them is the home's can't be told."""
    identity = pl.coalesce("usage_point_id", "usage_point")
    several = good.group_by(HOME_NO).agg(identity.n_unique().alias("points")).filter(pl.col("points") > 1)
    values = {name: pl.col(name).drop_nulls().n_unique() for name in ENERGIES}
    intervals = good.join(several, on=HOME_NO, how="semi").group_by(_KEY_NO)
    rivals = intervals.agg(identity.n_unique().alias("points"), **values)
    rivals = rivals.filter((pl.col("points") > 1) & pl.any_horizontal(pl.col(ENERGIES) > 1))
    bad = good.join(rivals, on=_KEY_NO, how="semi")
    why = "two usage points of the home count this interval differently"
    return good.join(rivals, on=_KEY_NO, how="anti"), dict.fromkeys(bad[_ROW].to_list(), why)


def _winners(good: pl.DataFrame) -> pl.DataFrame:
    """Return one row a home, start and length: each energy, its row and its step; null where there is none."""
    keys = good.select(_KEY_NO, *_KEY).unique(_KEY_NO)
    for name in ENERGIES:
        last = good.filter(pl.col(name).is_not_null()).unique(_KEY_NO, keep="last")
        chosen = last.select(
            _KEY_NO, name, **{f"{name}_{_ROW}": pl.col(_ROW), f"{name}_step": pl.col("step_wh")}
        )
        keys = keys.join(chosen, on=_KEY_NO, how="left")
    both = pl.col("import_wh").is_not_null() & pl.col("export_wh").is_not_null()
    has_net = pl.col("net_wh").is_not_null()
    # Both registers say more than their difference; the difference says more than one of them.
    drop = {"net_wh": both, "import_wh": has_net & ~both, "export_wh": has_net & ~both}
    return keys.with_columns(
        pl.when(~is_dropped).then(pl.col(column)).alias(column)
        for name, is_dropped in drop.items()
        for column in (name, f"{name}_{_ROW}", f"{name}_step")
    )


def _without_overlaps(keys: pl.DataFrame) -> tuple[pl.DataFrame, dict[int, str]]:
    """Refuse intervals that overlap others of a length that more of the home's intervals have.

    Lengths divide each other and starts lie on whole intervals, so the shorter lies within the longer or outside.
    """
    counted = keys.with_columns(count=pl.len().over("site_id", "minutes"), at=pl.int_range(pl.len()))
    lost: dict[int, str] = {}
    for short, long in combinations(sorted(keys["minutes"].unique().to_list()), 2):
        shorter = counted.filter(pl.col("minutes") == short).with_columns(
            around=pl.col("interval_start").dt.truncate(f"{long}m")
        )
        longer = counted.filter(pl.col("minutes") == long)
        pairs = shorter.join(
            longer, left_on=["site_id", "around"], right_on=["site_id", "interval_start"], suffix="_long"
        )
        loses = pl.when(pl.col("count") >= pl.col("count_long")).then("at_long").otherwise("at")
        told = f"overlaps intervals of another length: {short} and {long} min; the commoner is kept"
        lost |= dict.fromkeys(pairs.select(loses.alias("at"))["at"].to_list(), told)
    bad = counted.filter(pl.col("at").is_in(list(lost)))
    refused = {
        row: lost[at]
        for name in ENERGIES
        for row, at in bad.select(f"{name}_{_ROW}", "at").drop_nulls().iter_rows()
    }
    return counted.filter(~pl.col("at").is_in(list(lost))).drop("count", "at"), refused


def _as_utility(keys: pl.DataFrame) -> pl.DataFrame:
    net, has_net = pl.col("net_wh"), pl.col("net_wh").is_not_null()
    return keys.select(
        *_KEY,
        import_wh=pl.when(has_net).then(net.clip(0.0, None)).otherwise("import_wh"),
        export_wh=pl.when(has_net).then(pl.when(net < 0).then(-net).otherwise(0.0)).otherwise("export_wh"),
        step_wh=pl.max_horizontal(f"{name}_step" for name in ENERGIES),
    ).sort("site_id", "interval_start").select(UTILITY.names()).cast(UTILITY)  # fmt: skip
