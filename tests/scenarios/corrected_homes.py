"""Invented corrected readings: rows as OUT/corrected holds them, with energies that a person can work out."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.correction.layout import CORRECTED, EPISODE, ESTIMATED, EXACT, FOUND, SUSPECTED

DAY = date(2026, 5, 14)


def episode(site_id: str = "a", **facts: Any) -> dict[str, Any]:
    """Return an open episode of a reversed L1 CT upstream of the tie-in, unless `facts` say else."""
    usual = {
        "site_id": site_id, "fault": "reversed", "leg": "l1", "from_on": DAY, "likelihood": 0.93, "basis": SUSPECTED,
        "service": "120/240", "is_upstream": True, "is_added_back": False, "has_battery": False,
    }  # fmt: skip
    return dict.fromkeys(EPISODE) | usual | facts


def episodes(*rows: dict[str, Any]) -> pl.DataFrame:
    """Return rows of `episode` as the table."""
    return pl.DataFrame(list(rows), schema=EPISODE, orient="row")


def corrected_rows(site_id: str = "a", day: date = DAY, minutes: int = 15, **columns: Any) -> pl.DataFrame:
    """Return a day of a home; a column is a number, a text, or a list of as many as there are rows.

    Right readings are 300 W on L1 and 200 W on L2, production 0; L1 was reported with the wrong sign.
    """
    count = 24 * 60 // minutes
    starts = [datetime.combine(day, time()) + timedelta(minutes=minutes * row) for row in range(count)]
    usual = {
        "l1_w": 300.0, "l2_w": 200.0, "pv_w": 0.0, "l1_w_reported": -300.0, "l2_w_reported": 200.0, "method": EXACT,
        "fault": "reversed", "leg": "l1", "likelihood": 0.93,
    }  # fmt: skip
    given = usual | {"pv_w_reported": columns.get("pv_w", 0.0)} | columns
    held = {name: value if isinstance(value, list) else [value] * count for name, value in given.items()}
    frame = pl.DataFrame({"site_id": [site_id] * count, "interval_start": starts, **held}, strict=False)
    legs = pl.col("l1_w").cast(pl.Float64) + pl.col("l2_w").cast(pl.Float64)
    bounds = [name for name in ("sum_w_low", "sum_w_high") if name not in frame.columns]
    return (
        frame.with_columns(legs.alias(name) for name in bounds)
        .with_columns(is_corrected=pl.col("method").is_in([EXACT, ESTIMATED]))
        .select(
            (pl.col(name) if name in {*frame.columns, *bounds, "is_corrected"} else pl.lit(None))
            .cast(kind)
            .alias(name)
            for name, kind in CORRECTED.items()
        )
    )


def write_days(corrected: Path, *frames: pl.DataFrame) -> list[Path]:
    """Write rows into `corrected` as the contract lays them out, and return the files."""
    rows = pl.concat(frames).with_columns(day=pl.col("interval_start").dt.date())
    files = []
    for (day,), part in sorted(rows.partition_by("day", as_dict=True, include_key=False).items()):
        path = corrected / f"date={day}" / "corrected.parquet"
        path.parent.mkdir(parents=True, exist_ok=True)
        part.sort("site_id", "interval_start").write_parquet(path)
        files.append(path)
    return files


HOSTILE = '<b onload="x">&"\'/../é'
AS_OF = DAY + timedelta(days=60)


def write_fleet(corrected: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Write two months of hours of four homes with unlike faults; return the episodes and the register of homes.

    sunny: L1 reversed and ended by a visit, with a utility meter, a day missing, hours left empty. half: a part of the
    load unseen, estimated with a range, still there. blind: L2 dead, estimated by night and left empty by day. HOSTILE:
    CTs on each other's legs around the loads, found on a visit. Two more homes are not corrected.
    """
    hours = range(24)
    sun = [max(0.0, 1 - abs(hour - 12) / 6) for hour in hours]
    load = [300.0 + 40.0 * hour for hour in hours]
    frames = []
    for at in range(60):
        day = DAY + timedelta(days=at)
        pv = [3000.0 * (0.4 + 0.6 * ((at * 7) % 10) / 10) * share for share in sun]
        net = [use / 2 - made / 2 for use, made in zip(load, pv, strict=True)]
        if at < 48 and at != 20:
            empty = [3 <= hour < 5 and at % 9 == 0 for hour in hours]
            meter = [2 * watts for watts in net]
            frames.append(
                corrected_rows(
                    "sunny", day, 60, l1_w=[None if gone else w for w, gone in zip(net, empty, strict=True)], l2_w=net,
                    l1_w_reported=[-watts for watts in net], l2_w_reported=net, pv_w=pv,
                    method=["empty" if gone else EXACT for gone in empty],
                    reason=["the source cut off what was below 0" if gone else None for gone in empty],
                    import_wh=[max(w, 0.0) * 1.01 for w in meter], export_wh=[max(-w, 0.0) * 1.01 for w in meter],
                )
            )  # fmt: skip
        both = [2 * watts for watts in net]
        frames.append(
            corrected_rows(
                "half", day, 60, l1_w=net, l2_w=net, l1_w_reported=[0.55 * watts for watts in net], l2_w_reported=net,
                pv_w=pv, method=ESTIMATED, fault="partial", likelihood=0.84, sum_w_scatter=60.0,
                sum_w_low=[w - 0.05 * abs(w) for w in both], sum_w_high=[w + 0.07 * abs(w) for w in both],
                reason="the part that is seen was measured by how production shows in the reading",
            )
        )  # fmt: skip
        if at < 30:
            dark = [share == 0 for share in sun]
            frames.append(
                corrected_rows(
                    "blind", day, 60, l1_w=net,
                    l2_w=[w if no_sun else None for w, no_sun in zip(net, dark, strict=True)],
                    l1_w_reported=net, l2_w_reported=0.0, pv_w=pv, fault="dead", leg="l2", sum_w_scatter=150.0,
                    method=[ESTIMATED if no_sun else "empty" for no_sun in dark],
                    sum_w_low=[w - 80.0 for w in both], sum_w_high=[w + 80.0 for w in both],
                    reason=["L2 usually takes what L1 takes" if no_sun else "no utility meter" for no_sun in dark],
                )
            )  # fmt: skip
            frames.append(
                corrected_rows(
                    HOSTILE, day, 60, l1_w=[w / 2 for w in load], l2_w=[w / 3 for w in load], pv_w=pv,
                    l1_w_reported=[-w / 3 for w in load], l2_w_reported=[-w / 2 for w in load],
                    fault="legs_crossed", leg="both",
                )
            )  # fmt: skip
    write_days(corrected, *frames)
    last = DAY + timedelta(days=29)
    table = episodes(
        episode("sunny", to_on=DAY + timedelta(days=47), ended_by="visit"),
        episode("half", fault="partial", likelihood=0.84, rival_fault="loose_core", rival_leg="l1",
                rival_likelihood=0.11),
        episode("blind", fault="dead", leg="l2", to_on=last, ended_by="data"),
        episode(HOSTILE, fault="legs_crossed", leg="both", is_upstream=False, basis=FOUND, likelihood=1.0, to_on=last,
                ended_by="visit"),
        episode("scoped", fault="wrong_scope", leg=None, why_not="the readings are right; the site record is wrong"),
        episode("unsure", likelihood=0.6, why_not="CT reversed: likely to 60 %, below the 80 % asked for"),
    )  # fmt: skip
    sites = pl.DataFrame(
        {
            "site_id": table["site_id"], "area": ["north"] * 6, "service": ["120/240"] * 6, "pv_kw": [5.0] * 6,
            "address": ["12 Secret Lane"] * 6, "customer": ["A. Person"] * 6, "access_note": ["gate 1234"] * 6,
        }
    )  # fmt: skip
    return table, sites
