"""Homes, trucks and drive times for tests of dispatch, in one line each."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from example_safety import safety_calls

from pipeline.core.settings import Settings, load_settings
from pipeline.dispatch.plan import STOPS, DispatchPlan, plan_days
from pipeline.dispatch.travel import Travel
from pipeline.dispatch.trucks import Truck
from pipeline.faults.catalogue import CATALOGUE

FRIDAY, MONDAY = date(2026, 6, 12), date(2026, 6, 15)
START = (39.74, -104.99)
USUAL: dict[str, Any] = {
    "area": "north", "likelihood": 0.9, "fault_likelihood": 0.8, "suspected_fault": "dead", "leg": "l1",
    "bring": "spare CT, 200 A",
    "minutes_on_site": 30, "priority": 100.0, "drive_min": 40.0, "latitude": START[0], "longitude": START[1],
}  # fmt: skip


def settings(**changed: Any) -> Settings:
    """The shipped settings with these of [dispatch]."""
    shipped = load_settings()
    return shipped.model_copy(update={"dispatch": shipped.dispatch.model_copy(update=changed)})


def stops(*homes: Mapping[str, Any]) -> pl.DataFrame:
    """A list of homes h0, h1, ... ranked as given, each like USUAL but for what is said."""
    rows = [{"rank": at + 1, "site_id": f"h{at}", **USUAL, **home} for at, home in enumerate(homes)]
    return pl.DataFrame(rows, schema=STOPS)


def publish_night(
    folder: Path,
    *homes: Mapping[str, Any],
    register: Mapping[str, Any] | None = None,
    calls: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Leave a lake and an OUT with a run of these homes' visits and one remote fix, after Friday 12 June 2026.

    `register` is what every home's site record has beyond its place, `calls` are rows of table safety_call.
    """
    lake, run = folder / "lake", folder / "out" / "runs" / str(FRIDAY)
    (lake / "intervals" / f"date={FRIDAY}").mkdir(parents=True)
    (lake / "intervals" / f"date={FRIDAY}" / "part.csv").write_text("site_id\n", encoding="utf-8")
    (lake / "crews.csv").write_text("crew_id\nC1\n", encoding="utf-8")
    run.mkdir(parents=True)
    listed = stops(*homes, {"suspected_fault": "wrong_ratio"})
    usual = {
        "timezone": "America/Denver", "ct_amps": 200.0, "cts_per_leg": 1.0, "service": "120/240",
        "lead_extended": False,
    }  # fmt: skip
    record = usual | dict(register or {})
    places = listed.select("site_id", "area", "latitude", "longitude").with_columns(
        pl.lit(value).alias(name) for name, value in record.items()
    )
    places.write_csv(lake / "sites.csv")
    places.write_parquet(run / "sites.parquet")
    ways = pl.Series("fix_by", ["visit"] * len(homes) + ["office"])
    list_columns = listed.drop("latitude", "longitude", "fault_likelihood")
    list_columns.with_columns(ways).write_parquet(run / "revisit_list.parquet")
    shares = pl.Series(
        "fault_likelihoods",
        [{row["suspected_fault"]: row["fault_likelihood"]} for row in listed.iter_rows(named=True)],
        dtype=pl.Struct(dict.fromkeys(CATALOGUE, pl.Float64)),
    )
    scores = listed.select("site_id", "area")
    scores.with_columns(shares, verdict=pl.lit("suspect")).write_parquet(run / "site_scores.parquet")
    safety_calls(*calls).write_parquet(run / "safety_call.parquet")
    (run / "run.json").write_text(json.dumps({"as_of": str(FRIDAY)}), encoding="utf-8")
    (folder / "out" / "latest").symlink_to(f"runs/{FRIDAY}")


def truck(truck_id: str = "T1", areas: tuple[str, ...] = (), hours: float = 8, **changed: Any) -> Truck:
    """A truck from START at 08:00."""
    place = {"latitude": START[0], "longitude": START[1], "start_min": 480, **changed}
    return Truck(truck_id, areas, shift_min=int(hours * 60), **place)


def plan(
    homes: pl.DataFrame,
    trucks: Sequence[Truck],
    days: int = 1,
    supplied: Mapping[tuple[int, int], float] | None = None,
    **changed: Any,
) -> DispatchPlan:
    """The plan of so many days from MONDAY on."""
    used = settings(**changed)
    latitude = np.array([*homes["latitude"].fill_null(np.nan), *(truck.latitude for truck in trucks)])
    longitude = np.array([*homes["longitude"].fill_null(np.nan), *(truck.longitude for truck in trucks)])
    travel = Travel(latitude, longitude, used.dispatch, supplied or {})
    dates = [MONDAY + timedelta(days=day) for day in range(days)]
    return plan_days(homes, trucks, travel, days=dates, settings=used)


def why(result: DispatchPlan) -> dict[str, str]:
    """The reason of each home that is on no day."""
    return dict(result.undispatched.select("site_id", "reason").iter_rows())
