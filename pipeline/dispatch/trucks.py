"""The trucks of a day: LAKE/trucks.csv where there is one, else as many alike as the settings say."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.dispatch.opened import read_texts
from pipeline.ingest.csv_reader import ROW
from pipeline.ingest.normalize import nearest

COLUMNS = ("truck_id", "area", "start_latitude", "start_longitude", "start_time", "hours")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
_DAY_MIN = 24 * 60


@dataclass(frozen=True)
class Truck:
    """A truck and its shift.

    `areas` it may go to, empty for any; `latitude`, `longitude` of the start and end point [deg], NaN where
    unknown; `start_min` when it leaves, minutes after local midnight; `shift_min` until it is back [min].
    """

    truck_id: str
    areas: tuple[str, ...]
    latitude: float
    longitude: float
    start_min: int
    shift_min: int

    def serves(self, area: str | None) -> bool:
        """Whether the truck goes to homes of this area; only one without areas goes to homes without one."""
        return not self.areas or area in self.areas


def clock(minutes: int) -> str:
    """Return minutes after midnight as HH:MM."""
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def middle(stops: pl.DataFrame) -> tuple[float, float]:
    """Return the median latitude and longitude of the stops [deg], NaN if none has any."""
    known = stops.select("latitude", "longitude").drop_nulls()
    if known.is_empty():
        return float("nan"), float("nan")
    return float(np.median(known["latitude"])), float(np.median(known["longitude"]))


def start_point(own: DispatchSettings) -> tuple[float, float] | None:
    """Return [dispatch].start as (latitude, longitude) [deg], None where it is empty.

    Raises
    ------
    InputError
        It is neither empty nor a point on earth.
    """
    if not own.start:
        return None
    if len(own.start) != 2 or not (abs(own.start[0]) <= 90 and abs(own.start[1]) <= 180):
        raise InputError(f"setting dispatch start: {own.start} is not [latitude, longitude] in degrees")
    return own.start[0], own.start[1]


def alike_trucks(own: DispatchSettings, start: tuple[float, float]) -> list[Truck]:
    """Return [dispatch].trucks trucks from one start point [deg], named T1, T2, ...

    Raises
    ------
    InputError
        [dispatch] start_time or hours make no shift.
    """
    shift = _shift("", "", own, "setting dispatch")
    return [Truck(f"T{number}", (), *start, *shift) for number in range(1, own.trucks + 1)]


def read_trucks(
    path: Path, own: DispatchSettings, start: tuple[float, float], areas: Collection[str]
) -> tuple[list[Truck], int]:
    """Return the trucks of `path`, and how many of them have no start point of their own.

    What a row leaves empty comes from [dispatch] and from `start` [deg]; `areas` are those of the register.

    Raises
    ------
    InputError
        The file can't be read, or a row of it makes no truck: which row, what, what to do.
    """
    texts = read_texts(path)
    for name in texts.columns:
        if name not in (*COLUMNS, ROW):
            raise InputError(
                f"{path}: column {name} is not one of {', '.join(COLUMNS)}{nearest(name, COLUMNS)}"
            )
    if "truck_id" not in texts.columns:
        raise InputError(f"{path}: no column truck_id")
    trucks: list[Truck] = []
    at_start = 0
    for row in texts.iter_rows(named=True):
        where = f"{path} row {row[ROW]}"
        cells = {name: (row.get(name) or "").strip() for name in COLUMNS}
        point = _point(cells, where)
        at_start += point is None
        truck = Truck(
            cells["truck_id"], _areas(cells["area"], areas, where), *(point or start),
            *_shift(cells["start_time"], cells["hours"], own, where),
        )  # fmt: skip
        if not truck.truck_id:
            raise InputError(f"{where}: truck_id is missing")
        if truck.truck_id in {other.truck_id for other in trucks}:
            raise InputError(f"{where}: truck_id '{truck.truck_id}' is there before; give each truck its own")
        trucks.append(truck)
    if not trucks:
        raise InputError(f"{path}: names no truck; add a row, or take the file away")
    return trucks, at_start


def _areas(text: str, known: Collection[str], where: str) -> tuple[str, ...]:
    areas = tuple(dict.fromkeys(part.strip() for part in text.split(";") if part.strip()))
    for area in areas:
        if area not in known:
            raise InputError(f"{where}: area '{area}' has no home in the register{nearest(area, known)}")
    return areas


def _point(cells: Mapping[str, str], where: str) -> tuple[float, float] | None:
    texts = cells["start_latitude"], cells["start_longitude"]
    if not any(texts):
        return None
    if not all(texts):
        raise InputError(f"{where}: start_latitude and start_longitude go together; fill or empty both")
    latitude = _number("start_latitude", texts[0], -90, 90, where)
    return latitude, _number("start_longitude", texts[1], -180, 180, where)


def _shift(start_time: str, hours: str, own: DispatchSettings, where: str) -> tuple[int, int]:
    """Return (start, length) of a shift [min]."""
    told = start_time or own.start_time
    matched = _CLOCK.fullmatch(told)
    if matched is None:
        raise InputError(f"{where}: start_time '{told}' is not a time of day; write HH:MM, such as 08:00")
    start = int(matched[1]) * 60 + int(matched[2])
    long = int(_number("hours", hours or str(own.hours), 0, 24, where) * 60 + 1e-6)
    if long <= 0:
        raise InputError(f"{where}: hours must be more than 0")
    if start + long > _DAY_MIN:
        raise InputError(
            f"{where}: a shift from {told} of {long / 60:g} hours ends after midnight; shorten it"
        )
    return start, long


def _number(name: str, text: str, low: float, high: float, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{where}: {name}: '{text}' is not a number") from None
    if not low <= value <= high:
        raise InputError(f"{where}: {name}: {text} is outside {low:g} to {high:g}")
    return value
