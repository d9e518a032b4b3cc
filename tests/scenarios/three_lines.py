"""Days of homes with three lines as arrays: loads, production, a wiring; and the tables that a night makes of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from kernel_days import DENVER, register
from numpy.typing import NDArray

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES
from pipeline.core.settings import load_settings
from pipeline.core.sharding import WHOLE, Shard
from pipeline.features.day_statistics import site_sky
from pipeline.features.kernels.day_tables import DayTables, day_tables
from pipeline.features.pv_shares import feeding_currents
from pipeline.features.window import WindowView, look
from pipeline.ingest.used_rows import UsedRows

Float = NDArray[np.float64]
SETTINGS = load_settings()
FIRST = date(2025, 6, 1)
LINES = ("l1", "l2", "l3")
_TURN = np.exp(1j * np.radians([0.0, -120.0, 120.0]))


@dataclass(frozen=True)
class Home:
    """A home on 230/400: which lines production feeds, and on which line, which way round and how well each CT reads.

    `third_from`: the first day (from 0) on which its third line is read; `lacks`: channels that are null. `legs`: lines
    that are read as leg 1 and 2 of a home that has no more; `turned_on`: the day on which the CT of line 3 is turned.
    `is_third_zero`: zeros stand where the third line would.
    """

    site_id: str
    fed: tuple[int, ...] = (0, 1, 2)
    on: tuple[int, int, int] = (0, 1, 2)
    signs: tuple[float, float, float] = (1.0, 1.0, 1.0)
    third_from: int = 0
    lacks: tuple[str, ...] = ()
    has_meter: bool = True
    legs: tuple[str, str] | None = None
    turned_on: int = 99
    is_third_zero: bool = False
    volts: float = 230.0
    drawn_as: str = "a"
    site: Mapping[str, object] = field(default_factory=dict)


def day_rows(home: Home, day: int, minutes: int = 15) -> dict[str, Float]:
    """Return the channels of a day of a home, every `minutes`, UTC; Denver's sun."""
    rng = np.random.default_rng([day, *home.drawn_as.encode()])
    count = 1440 // minutes
    hour = (np.arange(count) * minutes / 60 + 17) % 24
    sun = np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)
    produced = np.round(sun * 6000 * rng.uniform(0.3, 1, count), 1)
    base = np.array([140.0, 90.0, 210.0])[:, None]
    steps = np.stack(
        [np.repeat(rng.choice([0, 0, 0, 700.0, 1800.0], count // 3 + 1), 3)[:count] for _ in LINES]
    )
    load = base + steps + rng.gamma(2, 15, (3, count))  # real power; 0.1 var a watt
    current = np.conj(load * (1 + 0.1j)) * _TURN[:, None] / home.volts
    current = current - feeding_currents(home.fed)[:, None] * produced / home.volts
    neutral = current.sum(axis=0)
    volts = home.volts * _TURN[:, None] - 0.03 * current - 0.02 * neutral
    power = np.stack(
        [
            sign * volts[line] * np.conj(current[on])
            for line, (on, sign) in enumerate(zip(home.on, home.signs, strict=True))
        ]
    )
    net_wh = (volts * np.conj(current)).real.sum(axis=0) * minutes / 60
    nothing = np.full(count, np.nan)
    channels = {
        **{f"{name}_w": power[line].real for line, name in enumerate(LINES)},
        **{f"{name}_var": power[line].imag for line, name in enumerate(LINES)},
        **{f"{name}_v": np.abs(volts[line]) for line, name in enumerate(LINES)},
        "pv_w": produced, "battery_w": nothing,
        "import_wh": np.clip(net_wh, 0, None) if home.has_meter else nothing,
        "export_wh": np.clip(-net_wh, 0, None) if home.has_meter else nothing,
    }  # fmt: skip
    if day >= home.turned_on:
        channels |= {name: -channels[name] for name in ("l3_w", "l3_var")}
    if home.legs is not None:
        units = ("w", "v", "var")
        legs = {
            f"{leg}_{u}": channels[f"{line}_{u}"]
            for leg, line in zip(("l1", "l2"), home.legs, strict=True)
            for u in units
        }
        channels |= legs
    if day < home.third_from or home.legs is not None:
        channels |= dict.fromkeys(("l3_w", "l3_v", "l3_var"), nothing)
    if home.is_third_zero:
        channels["l3_w"] = np.zeros(count)
    return channels | dict.fromkeys(home.lacks, nothing)


def used_rows(homes: Sequence[Home], day: int, keys: Mapping[str, int], minutes: int = 15) -> UsedRows:
    """Return the rows of a day of some homes, in the order of their keys."""
    ordered = sorted(homes, key=lambda home: keys[home.site_id])
    parts = [day_rows(home, day, minutes) for home in ordered]
    count = 1440 // minutes
    names = (*MEASURES, *(name for name in ("l3_w", "l3_v", "l3_var") if name not in MEASURES))
    channels = {name: np.concatenate([part[name] for part in parts]) for name in names}
    if np.isnan(channels["l3_w"]).all():
        channels = {name: values for name, values in channels.items() if not name.startswith("l3")}
    at = np.tile(np.arange(count, dtype=np.int64) * minutes, len(parts))
    return UsedRows(np.repeat(np.array([keys[home.site_id] for home in ordered]), count), at, channels)


def sites_of(homes: Sequence[Home]) -> pl.DataFrame:
    """Return the register of these homes."""
    own = {"service": "230/400", "service_amps": 63.0, "ct_sees_pv": True}
    return register(
        *(
            DENVER | own | {"site_id": home.site_id} | home.site
            for home in sorted(homes, key=lambda home: home.site_id)
        )
    )


def tables_of(homes: Sequence[Home], day: int, folder: Path) -> DayTables:
    """Return what a day's rows of these homes come to."""
    sites = sites_of(homes)
    sky = site_sky(sites, SETTINGS.day)
    keys = dict(sky.select("site_id", "site_key").iter_rows())
    con = sql_runner.connect(folder, SETTINGS.engine)
    try:
        return day_tables(
            con, [used_rows(homes, day, keys)], sky, day=FIRST + timedelta(days=day), settings=SETTINGS.day
        )
    finally:
        con.close()


def put_days(homes: Sequence[Home], days: int, folder: Path) -> tuple[list[Path], list[Path]]:
    """Write files of site_day and line_day, a day each."""
    files, line_files = [], []
    for day in range(days):
        tables = tables_of(homes, day, folder)
        files.append(folder / f"site_day-{day}.parquet")
        tables.site_day.write_parquet(files[-1])
        if tables.line_day.height:
            line_files.append(folder / f"line_day-{day}.parquet")
            tables.line_day.write_parquet(line_files[-1])
    return files, line_files


def window_of(
    homes: Sequence[Home],
    days: int,
    folder: Path,
    *,
    visited: Mapping[str, int] | None = None,
    shard: Shard = WHOLE,
) -> WindowView:
    """Return the window of these homes over so many days, as a night looks at it; `visited` on day n, from 0."""
    files, line_files = put_days(homes, days, folder)
    con = sql_runner.connect(folder, SETTINGS.engine)
    came = [(home, FIRST + timedelta(days=day)) for home, day in (visited or {}).items()]
    visits = pl.DataFrame(came, schema={"site_id": pl.String, "visited_on": pl.Date}, orient="row")
    try:
        return look(
            con, files, sites_of(homes), visits=visits, as_of=FIRST + timedelta(days=days - 1), window_days=days,
            settings=SETTINGS, line_files=line_files, shard=shard,
        )  # fmt: skip
    finally:
        con.close()
