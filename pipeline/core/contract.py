"""What a lake must hold: every table's columns with type, unit, meaning, emptiness and range, said once.

The checks, the SQL's parameters and the tables of ingest/README.md are all derived from the classes below.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import date
from functools import cache
from pathlib import Path
from pkgutil import iter_modules
from zoneinfo import available_timezones

import dataframely as dy
import polars as pl

from pipeline.core import services
from pipeline.core.services import LEGS

SOUND = "sound"
OTHER = "other"
SUSPECT, UNPROVEN, SAFETY = "suspect", "unproven", "safety"
# Of a home tonight, worst first. A suspected loose neutral is a safety call before it is anything else.
VERDICTS = (SAFETY, SUSPECT, UNPROVEN, SOUND)
# The trade's faults, in its order.
_TRADE = (
    "reversed",
    "legs_crossed",
    "same_leg",
    "dead",
    "partial",
    "opposed_pair",
    "loose_core",
    "wrong_ratio",
    "wrong_scope",
    "swapped_with_pv",
    "intermittent",
    "pickup_noise",
)
# A fault is a file of faults/catalogue/: one more there is a name more that crews may report, after the trade's own.
_ROOMS = sorted(room.name for room in iter_modules([str(Path(__file__).parents[1] / "faults/catalogue")]))
FAULTS = (*_TRADE, *(name for name in _ROOMS if name not in _TRADE))
FINDINGS = (*FAULTS, SOUND, OTHER)
SERVICE_LEG_V = {name: service.volts for name, service in services.SERVICES.items()}
SERVICE_LINES = {name: service.line_count for name, service in services.SERVICES.items()}
SERVICES = tuple(services.SERVICES)
# Lines that the production feeds, as sites name them ("all": every line of the service).
PV_ON = ("l1", "l2", "l3", "l1+l2", "l1+l3", "l2+l3", "all")
CT_LOCATIONS = ("service_entrance", "bus_bar", "feeder", "load_conductors")
INTERVAL_MINUTES = (1, 5, 15, 30, 60)
# No home with solar reported before, and no calendar of a fleet goes further: a date outside is a slip of the pen.
FIRST_DATE, LAST_DATE = date(1970, 1, 1), date(2100, 12, 31)
METER_KINDS = NET_METER, IMPORT_METER = ("net", "import")
METER_BY = BY_ROWS, BY_FILE = (
    "rows",
    "utility file",
)  # where a home's meter is read from (site_signal.meter_by)
# Columns about a customer, or that may name one. Orders and, by [privacy], pages show them; they stay out of logs,
# addresses, file names and the tables that others share.
PRIVATE = {"sites": ("address", "access_note", "customer"), "visits": ("note",), "safety_calls": ("note",)}


def _meta(unit: str, *, is_required: bool = False, is_by_home: bool = False) -> dict[str, object]:
    return {"unit": unit, "is_required": is_required, "is_by_home": is_by_home}


def _text(what: str, *, is_key: bool = False, is_required: bool = False) -> dy.String:
    meta = _meta("", is_required=is_key or is_required)
    return dy.String(
        nullable=not (is_key or is_required),
        primary_key=is_key,
        check={"blank": lambda c: c.str.len_chars() > 0},
        description=what,
        metadata=meta,
    )


def _code(what: str, codes: tuple[str, ...]) -> dy.String:
    meta = {**_meta(""), "codes": codes}
    return dy.String(nullable=True, check={"code": lambda c: c.is_in(codes)}, description=what, metadata=meta)


def _number(what: str, unit: str, low: float, high: float) -> dy.Float64:
    return dy.Float64(nullable=True, min=low, max=high, description=what, metadata=_meta(unit))


def _power(what: str, unit: str = "W", *, is_required: bool = False) -> dy.Float64:
    meta = _meta(unit, is_required=is_required, is_by_home=True)
    return dy.Float64(nullable=True, description=what, metadata=meta)


def _flag(what: str) -> dy.Bool:
    return dy.Bool(nullable=True, description=what, metadata=_meta(""))


def _date(what: str, *, is_required: bool = False) -> dy.Date:
    meta = _meta("", is_required=is_required)
    return dy.Date(nullable=not is_required, min=FIRST_DATE, max=LAST_DATE, description=what, metadata=meta)


class Interval(dy.Schema):
    """One row a home and interval; legs and PV are bounded by the home's own service and array."""

    site_id = dy.String(primary_key=True, description="the home", metadata=_meta("", is_required=True))
    interval_start = dy.Datetime(
        primary_key=True,
        time_unit="us",
        description="start of the interval; without a zone it is UTC",
        metadata=_meta("UTC", is_required=True),
    )
    l1_w = _power("mean real power of the L1 consumption channel, as reported", is_required=True)
    l2_w = _power(
        "the same on L2; the column may be absent where every home has one channel", is_required=True
    )
    pv_w = _power("mean PV production, positive when producing", is_required=True)
    l1_v = _number("mean rms volts of L1 to neutral", "V", 0, 400)
    l2_v = _number("mean rms volts of L2 to neutral", "V", 0, 400)
    l1_var = _power("reactive power of L1, positive lagging", "var")
    l2_var = _power("reactive power of L2, positive lagging", "var")
    battery_w = _number("battery power, positive discharging", "W", -100_000, 100_000)
    import_wh = _number("taken from the utility, at its own meter", "Wh", 0, 500_000)
    export_wh = _number("given to the utility, at its own meter", "Wh", 0, 500_000)
    l3_w = _power("the same as l1_w on L3, of a home with three lines")
    l3_v = _number("mean rms volts of L3 to neutral", "V", 0, 400)
    l3_var = _power("reactive power of L3, positive lagging", "var")
    pv_l1_w = _power("PV production that L1 takes, of a source that has it by line; pv_w empty: their sum")
    pv_l2_w = _power("the same on L2")
    pv_l3_w = _power("the same on L3")


class Site(dy.Schema):
    """One row a home."""

    site_id = _text("the home", is_key=True)
    timezone = _text("IANA name of its time zone")
    latitude = _number("north positive", "deg", -90, 90)
    longitude = _number("east positive", "deg", -180, 180)
    area = _text("dispatch area")
    service = _code("what the utility brings", SERVICES)
    service_amps = _number("rating of the service", "A", 1, 4000)
    pv_kw = _number("AC rating of the PV", "kW", 0, 10_000)
    pv_on = _code("lines that the inverter feeds; empty: found from the readings", PV_ON)
    lines_summed = _flag("the source exports one channel, the sum of all lines, in l1_w")
    ct_sees_pv = _flag("CTs upstream of the solar tie-in, as declared")
    pv_added_back = _flag("the source has already added production to the readings")
    ct_location = _code("where the CTs sit", CT_LOCATIONS)
    ct_amps = _number("rating of the CTs", "A", 1, 10_000)
    cts_per_leg = _number("CTs in parallel on each leg", "count", 1, 8)
    lead_extended = _flag("the CT leads were extended")
    has_battery = _flag("a battery is there")
    has_ev = _flag("a car charger is there")
    crew_id = _text("who installed")
    commissioned_on = _date("first day in service")
    address = _text("where the truck goes; private")
    access_note = _text("how to get in: gate, dog, where the panel is; private")
    customer = _text("who to ask for; private")


class Crew(dy.Schema):
    """One row a crew."""

    crew_id = _text("the crew", is_key=True)
    crew_name = _text("its name")


class Visit(dy.Schema):
    """One row a visit to a home."""

    visit_id = _text("the visit", is_key=True)
    site_id = _text("the home", is_required=True)
    visited_on = _date("day of the visit", is_required=True)
    crew_id = _text("who went")
    found = _code("what was found: a fault, sound or other", FINDINGS)
    leg = _code("where", LEGS)
    fixed = _flag("put right on the visit")
    note = _text("free words; private")


class Training(dy.Schema):
    """One row a crew, day and topic."""

    crew_id = _text("who was trained", is_required=True)
    trained_on = _date("day of the training", is_required=True)
    topic = _code("the fault it was about", FAULTS)


class SafetyCall(dy.Schema):
    """One row a call about a home whose service neutral may be loose."""

    site_id = _text("the home", is_required=True)
    called_on = _date("day the utility or an electrician was called", is_required=True)
    repaired_on = _date("day it was repaired, or checked on site and found in order")
    note = _text("free words: whom, reference, what was found")


class Meter(dy.Schema):
    """One row a usage point of a utility, the meter of a home."""

    site_id = _text("the home", is_required=True)
    usage_point = _text("what the utility's files call the meter", is_key=True)
    kind = _code("net: counts what the home takes and what it gives; import: only what it takes", METER_KINDS)


class Reject(dy.Schema):
    """One row a row that was not used, or a file that could not be (then source_row and row are null)."""

    source_file = dy.String(description="file, from the lake's folder")
    source_row = dy.Int64(nullable=True, min=1, description="data row in it, the first being 1")
    reason = dy.String(description="why, in words")
    row = dy.String(nullable=True, description="the row itself, as JSON")


TABLES: dict[str, type[dy.Schema]] = {
    "intervals": Interval,
    "sites": Site,
    "crews": Crew,
    "visits": Visit,
    "trainings": Training,
    "safety_calls": SafetyCall,
    "meters": Meter,
}
# What a source may also have where homes have three lines: the third channel, and production by line.
THIRD_LINE = ("l3_w", "l3_v", "l3_var")
PV_BY_LINE = ("pv_l1_w", "pv_l2_w", "pv_l3_w")
READINGS = tuple(name for name, column in Interval.columns().items() if isinstance(column, dy.Float64))
MEASURES = tuple(name for name in READINGS if name not in (*THIRD_LINE, *PV_BY_LINE))


def required(table: str, *, are_all_single: bool = False) -> tuple[str, ...]:
    """Return the columns `table` must have; a fleet of homes with one channel may leave l2_w out."""
    names = [name for name, column in TABLES[table].columns().items() if meta(column)["is_required"]]
    return tuple(name for name in names if not (are_all_single and table == "intervals" and name == "l2_w"))


def absent(required: Iterable[str], columns: Collection[str]) -> list[str]:
    """Return the required columns of intervals that are not among `columns`; production by line stands for pv_w."""
    has_pv = not set(PV_BY_LINE).isdisjoint(columns)
    return [name for name in required if name not in columns and not (has_pv and name == "pv_w")]


def shared_columns(table: str) -> tuple[str, ...]:
    """Return the columns of `table` that may stand in tables others share: all but the private ones."""
    private = PRIVATE.get(table, ())
    return tuple(name for name in TABLES[table].columns() if name not in private)


def meta(column: dy.Column) -> dict[str, object]:
    """Return what this module noted beside a column: unit, is_required, is_by_home, perhaps codes."""
    return column.metadata or {}


@cache
def time_zones() -> frozenset[str]:
    """Return the IANA names of zones; a machine's own clock ("localtime") and "Factory" are none."""
    return frozenset(available_timezones()) - {"localtime", "Factory"}


def interval_ranges() -> dict[str, float]:
    """Return the fixed ranges of the intervals as SQL parameters, `<column>_min` and `<column>_max`."""
    ranges: dict[str, float] = {}
    for name, column in Interval.columns().items():
        if isinstance(column, dy.Float64) and column.min is not None and column.max is not None:
            ranges |= {f"{name}_min": float(column.min), f"{name}_max": float(column.max)}
    return ranges


def rejects(rows: Iterable[tuple[str, int | None, str, str | None]] = ()) -> pl.DataFrame:
    """Return rejects (source_file, source_row, reason, row) as the contract's frame."""
    return pl.DataFrame(list(rows), schema=pl.Schema(Reject), orient="row")
