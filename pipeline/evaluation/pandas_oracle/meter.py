"""The utility meter beside the channels: the columns of sql/site_day_meter.sql in pandas."""

from __future__ import annotations

from typing import Any

from pipeline.evaluation.pandas_oracle.level import by_home


def meter(rows: Any) -> Any:
    """Return squares and products of the steps with the meter's, and the energies, a row a home with a meter."""
    home = rows.groupby("site_id", observed=True)
    has_l2, has_pv = home["l2_w"].transform("count") > 0, home["pv_w"].transform("count") > 0
    read = rows["net_w"].notna() & rows["l1_w"].notna()
    at, has_l2, has_pv = rows.loc[read], has_l2[read], has_pv[read]
    net, d1, d2 = at["d_net_w"], at["d_l1_w"], at["d_l2_w"]
    dp, db = at["d_pv_w"], at["d_battery_w"]
    whole = at["is_step"] & net.notna() & d1.notna() & (d2.notna() | ~has_l2)
    whole &= dp.notna() | at["is_night"] | ~has_pv
    products = {
        "nn": net * net, "n1": net * d1, "n2": net * d2.fillna(0), "np": net * dp, "nb": net * db, "11": d1 * d1,
        "22": (d2 * d2).fillna(0), "12": (d1 * d2).fillna(0), "1p": d1 * dp, "2p": (d2 * dp).fillna(0), "pp": dp * dp,
        "1b": d1 * db, "2b": (d2 * db).fillna(0), "pb": dp * db, "bb": db * db,
    }  # fmt: skip
    made = {"nm_n": whole}
    made |= {f"nm_{name}": product.where(whole) for name, product in products.items()}
    made |= {
        "ne_n": at["net_w"].notna(), "ne_net": at["net_w"], "ne_l1": at["l1_w"], "ne_l2": at["l2_w"],
        "ne_pv": at["pv_w"].fillna(0), "ne_battery": at["battery_w"].fillna(0),
    }  # fmt: skip
    return by_home(made, at)
