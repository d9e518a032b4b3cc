"""What a column of another's file most probably is by its name: a known quantity, called otherwise."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

_PARTS = re.compile(r"[a-z]+|\d+")
_CAMEL = re.compile(r"(?<=[a-z0-9])(?<![^a-zA-Z]k)(?=[A-Z])")  # homeId, but not kW
# A line's number stands after one of these words or letters (l3, phase_c, w3), a line's letter after the words alone.
_LINE_WORDS = {"l", "leg", "line", "phase", "ph", "ct"}
_QUANTITY_LETTERS = {
    "w",
    "p",
    "v",
    "u",
    "i",
    "a",
    "kw",
    "power",
    "voltage",
    "volts",
    "current",
    "amps",
    "watts",
}
_LINE_OF = {"1": 1, "2": 2, "3": 3, "a": 1, "b": 2, "c": 3}
_POWER, _ENERGY = {"w", "kw", "p", "watt", "watts", "power", "load"}, {"kwh", "wh", "energy"}
_VOLTS, _AMPS = {"v", "u", "volt", "volts", "voltage"}, {"i", "a", "amp", "amps", "current"}
_REACTIVE = {"var", "vars", "kvar", "reactive", "q"}
_UNITS = {
    "kw": "kW",
    "kwh": "kWh an interval",
    "wh": "Wh an interval",
    "energy": "kWh an interval",
    "kvar": "kvar",
}
_PRODUCTION = {"pv", "solar", "production", "generation", "gen", "inverter"}
_BATTERY = {"battery", "batt", "bess", "storage"}
_TAKEN, _GIVEN = (
    {"import", "imported", "delivered", "purchased"},
    {"export", "exported", "received", "feedin", "sold"},
)
_WHO = {"meter", "home", "house", "site", "premise", "household", "logger", "device", "serial"}
_WHEN = {"timestamp", "time", "datetime", "ts", "date", "start", "read"}
# Columns of registers that are often called otherwise, in letters only.
_REGISTER_NAMES: Mapping[str, tuple[str, ...]] = {
    "site_id": ("id", "site", "home", "homeid", "house", "houseid", "meter", "meterid", "premise", "premiseid"),
    "timezone": ("tz", "zone", "timezonename", "olsontz"),
    "latitude": ("lat",),
    "longitude": ("lon", "lng", "long"),
    "area": ("region", "depot", "territory", "district", "zip", "zipcode", "city"),
    "service_amps": ("amps", "mainamps", "breakeramps", "panelamps", "mainbreaker", "serviceampacity"),
    "pv_on": ("pvphase", "pvphases", "pvlines", "solarphase", "inverterphase", "inverterphases", "inverteron"),
    "lines_summed": ("summed", "phasessummed", "sumofphases", "sumoflines", "totalonly"),
    "pv_kw": ("solarkw", "pvsize", "pvsizekw", "systemkw", "systemsize", "arraykw", "ackw", "pvkwac"),
    "crew_id": ("crew", "installer", "installerid", "team", "teamid", "technician"),
    "crew_name": ("name", "installername", "teamname"),
    "commissioned_on": ("installedon", "installdate", "commissioned", "commissioningdate", "ptodate"),
    "visited_on": ("date", "visitdate", "visited", "day"),
    "found": ("finding", "result", "cause", "fault"),
    "visit_id": ("visit", "ticket", "ticketid", "workorder"),
    "note": ("notes", "comment", "comments", "remarks"),
    "trained_on": ("date", "trainingdate", "day"),
    "called_on": ("date", "calldate", "day"),
    "repaired_on": ("repairdate", "repaired", "closedon"),
    "usage_point": ("usagepoint", "meter", "meterid", "meterno", "servicepoint"),
    "customer": ("customername", "owner", "contact"),
}  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """The contract's column that a name stands for, and its unit where that isn't the contract's own."""

    column: str
    unit: str | None = None

    def toml(self, source: str, volts: float = 120.0) -> str:
        """Return the line of lake.toml that says so; `volts` [V] make a power of a current."""
        name = '"' + source.replace("\\", "\\\\").replace('"', '\\"') + '"'
        if self.unit is None:
            return f"{self.column} = {name}"
        times = f", volts = {volts:g}" if self.unit == "A" else ""
        return f'{self.column} = {{ from = {name}, unit = "{self.unit}"{times} }}'


def is_third_line(name: str) -> bool:
    """Tell whether a column's name speaks of a third line: l3_w, phase_c_power, w3."""
    return _line(_words(name)) == 3


def meaning_of_interval(name: str) -> Meaning | None:
    """Return what a column of readings most probably is, None where the name says too little."""
    words = _words(name)
    there = set(words)
    unit = next((_UNITS[word] for word in words if word in _UNITS), None)
    line = _line(words)
    if line is not None and there & _PRODUCTION:
        return Meaning(f"pv_l{line}_w", unit) if there & (_POWER | _ENERGY) else None
    if line is not None:
        if there & _REACTIVE:
            return Meaning(f"l{line}_var", unit if unit == "kvar" else None)
        if there & _VOLTS:
            return Meaning(f"l{line}_v")
        if there & _AMPS - {"a"} or ("a" in there and words[-1] == "a" and len(words) > 2):
            return Meaning(f"l{line}_w", "A")
        if there & (_POWER | _ENERGY):
            return Meaning(f"l{line}_w", unit)
        return None
    if there & _BATTERY:
        return Meaning("battery_w", unit) if there & (_POWER | _ENERGY) or len(words) == 1 else None
    energy_unit = "kWh" if "kwh" in there else None
    if there & _GIVEN or {"to", "grid"} <= there:
        return Meaning("export_wh", energy_unit)
    if there & _TAKEN or {"from", "grid"} <= there:
        return Meaning("import_wh", energy_unit)
    if there & _PRODUCTION:
        return Meaning("pv_w", unit)
    if there & _WHO and not there & (_POWER | _ENERGY | _VOLTS | _AMPS):
        return Meaning("site_id")
    if there & _WHEN and not there & {"zone", "end"}:
        return Meaning("interval_start")
    return None


def meaning_in_register(name: str, columns: tuple[str, ...]) -> Meaning | None:
    """Return which of a register's `columns` a name most probably stands for, or None."""
    plain = "".join(part for part in _PARTS.findall(name.casefold()))
    return next((Meaning(column) for column in columns if plain in _REGISTER_NAMES.get(column, ())), None)


def _words(name: str) -> list[str]:
    return _PARTS.findall(_CAMEL.sub("_", f" {name.strip()}").casefold())


def _line(words: list[str]) -> int | None:
    """Return which line a name speaks of: its number after a word or letter for a line, or its letter."""
    for before, word in zip(["", *words], words, strict=False):
        if word in ("1", "2", "3") and before in _LINE_WORDS | _QUANTITY_LETTERS:
            return _LINE_OF[word]
        if word in ("a", "b", "c") and (
            before in _LINE_WORDS - {"l"} or before in _QUANTITY_LETTERS - {"a", "p", "i", "u"}
        ):
            return _LINE_OF[word]
    for word in words:  # phasec, linea: written without a gap
        for line_word in ("phase", "line", "leg"):
            if word in (f"{line_word}a", f"{line_word}b", f"{line_word}c"):
                return _LINE_OF[word[-1]]
    return None
