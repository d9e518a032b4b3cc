"""The trucks of a day: LAKE/trucks.csv where there is one, else as many equal ones as the settings say."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.ingest.column_names import nearest
from pipeline.ingest.csv_reader import ROW, UnusableFileError, read_delimited, with_plain_names
from pipeline.ingest.plain_texts import BLANKS

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
        """Return whether the truck goes to homes of this area; only one without areas goes to homes without one."""
        return not self.areas or area in self.areas


def clock(minutes: int) -> str:
    """Return minutes after midnight as HH:MM."""
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def minutes_of(clock_text: str) -> int:
    """Return the minutes after midnight of HH:MM, as `clock` writes them."""
    hours, minutes = clock_text.split(":")
    return int(hours) * 60 + int(minutes)


def start_point(settings: DispatchSettings, stops: pl.DataFrame) -> tuple[float, float]:
    """Return [dispatch].start, or else the median of the stops: (latitude, longitude) [deg], NaN if none has any."""
    known = stops.select("latitude", "longitude").drop_nulls().median().fill_null(float("nan"))
    latitude, longitude = settings.start or known.row(0)
    return latitude, longitude


def equal_trucks(settings: DispatchSettings, start: tuple[float, float]) -> list[Truck]:
    """Return [dispatch].trucks trucks from one start point [deg], named T1, T2, ...

    Raises
    ------
    InputError
        [dispatch] start_time or hours make no shift.
    """
    shift = _parse_shift("", "", settings, "setting dispatch")
    return [Truck(f"T{number}", (), *start, *shift) for number in range(1, settings.trucks + 1)]


def read_trucks(
    path: Path, settings: DispatchSettings, start: tuple[float, float], *, areas: Collection[str]
) -> tuple[list[Truck], int]:
    """Return the trucks of `path`, and how many of them have no start point of their own.

    Parameters
    ----------
    path
        A trucks.csv.
    settings, start
        [dispatch] and a start point [deg] for what a row leaves empty.
    areas
        Those of the register.

    Raises
    ------
    InputError
        The file can't be read, or a row of it makes no truck: which row, what, what to do.
    """
    texts = read_texts(path, ["truck_id"])
    for name in texts.columns:
        if name not in (*COLUMNS, ROW):
            raise InputError(
                f"{path}: column {name} is not one of {', '.join(COLUMNS)}{nearest(name, COLUMNS)}"
            )
    trucks: dict[str, Truck] = {}
    without_start = 0
    for row in texts.iter_rows(named=True):
        where = f"{path} row {row[ROW]}"
        cells = {name: (row.get(name) or "").strip(BLANKS) for name in COLUMNS}
        point = _parse_point(cells, where)
        without_start += point is None
        truck_id, truck_areas = cells["truck_id"], _parse_areas(cells["area"], areas, where)
        shift = _parse_shift(cells["start_time"], cells["hours"], settings, where)
        if not truck_id:
            raise InputError(f"{where}: truck_id is missing")
        if truck_id in trucks:
            raise InputError(f"{where}: truck_id '{truck_id}' is there before; give each truck its own")
        trucks[truck_id] = Truck(truck_id, truck_areas, *(point or start), *shift)
    if not trucks:
        raise InputError(f"{path}: names no truck; add a row, or take the file away")
    return list(trucks.values()), without_start


def read_texts(path: Path, needed: Sequence[str]) -> pl.DataFrame:
    """Return the file's rows as texts, names of columns in small letters, the rows' numbers as column ROW.

    Raises
    ------
    InputError
        The file can't be read, a row of it isn't whole, or a column of `needed` is missing.
    """
    try:
        texts, bad = read_delimited(path, is_multiline=True)
        texts = with_plain_names(texts)
    except UnusableFileError as error:
        raise InputError(f"{path}: {error}") from error
    if bad.height:
        raise InputError(f"{path} row {bad[0, 0]}: {bad[0, 1]}")
    for name in needed:
        if name not in texts.columns:
            raise InputError(f"{path}: no column {name}{nearest(name, texts.columns)}")
    return texts


def _parse_areas(text: str, known: Collection[str], where: str) -> tuple[str, ...]:
    areas = tuple(dict.fromkeys(part.strip(BLANKS) for part in text.split(";") if part.strip(BLANKS)))
    for area in areas:
        if area not in known:
            raise InputError(f"{where}: area '{area}' has no home in the register{nearest(area, known)}")
    return areas


def _parse_point(cells: Mapping[str, str], where: str) -> tuple[float, float] | None:
    latitude, longitude = cells["start_latitude"], cells["start_longitude"]
    if not latitude and not longitude:
        return None
    if not latitude or not longitude:
        raise InputError(f"{where}: start_latitude and start_longitude go together; fill or empty both")
    return (
        _parse_number("start_latitude", latitude, -90, 90, where),
        _parse_number("start_longitude", longitude, -180, 180, where),
    )


def _parse_shift(start_time: str, hours: str, settings: DispatchSettings, where: str) -> tuple[int, int]:
    """Return (start, length) of a shift [min]."""
    text = start_time or settings.start_time
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise InputError(f"{where}: start_time '{text}' is not a time of day; write HH:MM, such as 08:00")
    start = int(match[1]) * 60 + int(match[2])
    length = int(_parse_number("hours", hours or str(settings.hours), 0, 24, where) * 60 + 1e-6)
    if length <= 0:
        raise InputError(f"{where}: hours must be more than 0")
    if start + length > _DAY_MIN:
        raise InputError(
            f"{where}: a shift from {text} of {length / 60:g} hours ends after midnight; shorten it"
        )
    return start, length


def _parse_number(name: str, text: str, low: float, high: float, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{where}: {name}: '{text}' is not a number") from None
    if not low <= value <= high:
        raise InputError(f"{where}: {name}: {text} is outside {low:g} to {high:g}")
    return value
