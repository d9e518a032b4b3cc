"""The codes of an ESPI reading type: which of them say energy of the grid connection, and why others are refused.

Names and numbers are those of NAESB REQ.21, espi.xsd (version 4.0, simple types FlowDirectionKind, AccumulationKind,
UnitSymbolKind, CommodityKind, MeasurementKind, DataQualifierKind, PhaseCodeKind, QualityOfReading, ServiceKind), which
takes them from IEC 61968-9, annex C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

# FlowDirectionKind -> the column: forward is delivered to the customer, reverse received from him, net the difference.
FLOWS = {"1": "import_wh", "19": "export_wh", "4": "net_wh"}
_OTHER_FLOWS = {"0": "none", "20": "total", "21": "total by phase"}
# UnitSymbolKind
WATT_HOURS, WATTS = "72", "38"
# AccumulationKind
DELTA = "4"
_RUNNING = {"1": "bulk quantity", "2": "continuous cumulative", "3": "cumulative", "9": "summation"}
_MEAN_POWER = ("", "0", "4", "6")  # none, delta data, indicating
# MeasurementKind: energy; demand and power for watts. DataQualifierKind: average.
_ENERGY, _POWER, _AVERAGE = ("", "0", "12"), ("", "0", "8", "37"), "2"
_PLAIN_QUALIFIERS = ("", "0", "12")  # none, normal
# CommodityKind: electricity, metered at the secondary or primary side. ServiceKind of the usage point: electricity.
_ELECTRICITY, _ELECTRIC_SERVICE = ("1", "2"), "0"
# PhaseCodeKind of one line of a split-phase service, or of the neutral: S1N, S2N, S1, S2, N, NG.
_ONE_LINE = ("528", "272", "512", "256", "16", "17")
# QualityOfReading. Used: measured, and what the utility has itself edited or estimated by rule and stands by.
USED_QUALITIES = {
    "0": "valid", "7": "manually edited", "8": "estimated by a reference day", "9": "estimated by interpolation",
    "11": "derived", "14": "raw", "17": "validated", "18": "verified", "19": "revenue quality",
}  # fmt: skip
REFUSED_QUALITIES = {
    "10": "questionable", "12": "projected", "13": "mixed", "15": "normalized for weather", "16": "other",
}  # fmt: skip
# UnitMultiplierKind
MULTIPLIERS = tuple(str(power) for power in (-12, -9, -6, -3, -2, -1, 0, 1, 2, 3, 6, 9, 12))
# What is read of a reading type.
FIELDS = (
    "accumulationBehaviour", "commodity", "consumptionTier", "cpp", "dataQualifier", "defaultQuality",
    "flowDirection", "intervalLength", "kind", "phase", "powerOfTenMultiplier", "tou", "uom",
)  # fmt: skip


@dataclass(frozen=True)
class Meaning:
    """What values of a reading type are: energies of `flow` (a column), 10 ** `power_of_ten` Wh each.

    With `is_power` they are mean W of an interval. `interval_s` is an interval's length unless the reading says it,
    `quality` its quality unless it says.
    """

    flow: str
    power_of_ten: int
    is_power: bool
    interval_s: int | None
    quality: str


def meaning(fields: Mapping[str, str], service: str) -> Meaning | str:
    """Return what a reading type means, or in one line why its values can't be used.

    `fields` are its elements (FIELDS) as texts, `service` the ServiceKind of the usage point, "" where it says none.
    """
    said = {name: fields.get(name, "") for name in FIELDS}
    why = _no_electricity(said["commodity"], service) or _no_energy(said) or _partial(said)
    if why:
        return why
    flow = said["flowDirection"]
    if flow not in FLOWS:
        named = f" ({_OTHER_FLOWS[flow]})" if flow in _OTHER_FLOWS else ""
        told = f"flowDirection {flow}{named} is" if flow else "no flowDirection:"
        return f"{told} neither 1 (forward), 19 (reverse) nor 4 (net)"
    power = said["powerOfTenMultiplier"] or "0"
    if power not in MULTIPLIERS:
        return f"powerOfTenMultiplier '{power}' is none of the standard's"
    length = said["intervalLength"]
    if length and not (length.isascii() and length.isdigit() and len(length) < 10):
        return f"intervalLength '{length}' is not a length in seconds"
    is_power = said["uom"] == WATTS
    quality = said["defaultQuality"] or "0"
    return Meaning(FLOWS[flow], int(power), is_power, int(length) if length else None, quality)


def _no_electricity(commodity: str, service: str) -> str | None:
    if commodity in _ELECTRICITY and service in ("", _ELECTRIC_SERVICE):
        return None
    if commodity in ("", "0"):
        if service == _ELECTRIC_SERVICE:
            return None
        return (
            "neither commodity nor service category says electricity"
            if not service
            else f"service category {service} is not 0 (electricity)"
        )
    if commodity in _ELECTRICITY:
        return f"commodity {commodity} is electricity, but the service category is {service}"
    return f"commodity {commodity} is not 1 (electricity)"


def _no_energy(said: Mapping[str, str]) -> str | None:
    unit, behaviour = said["uom"], said["accumulationBehaviour"]
    if unit == WATTS:
        if behaviour in _MEAN_POWER and said["dataQualifier"] == _AVERAGE and said["kind"] in _POWER:
            return None
        return "uom 38 (W) is not said to be the average of an interval (dataQualifier 2)"
    if unit != WATT_HOURS:
        return f"uom {unit} is not 72 (Wh)" if unit else "no uom: the unit is unknown"
    if said["kind"] not in _ENERGY:
        return f"kind {said['kind']} is not 12 (energy)"
    if said["dataQualifier"] not in _PLAIN_QUALIFIERS:
        return f"dataQualifier {said['dataQualifier']} is not 12 (normal)"
    if behaviour in _RUNNING:
        return f"accumulationBehaviour {behaviour} ({_RUNNING[behaviour]}) is a running total; 4 (delta data) is read"
    if behaviour != DELTA:
        return f"accumulationBehaviour '{behaviour}' is not 4 (delta data)"
    return None


def _partial(said: Mapping[str, str]) -> str | None:
    """Return why the values are only a part of what the meter counts."""
    if said["phase"] in _ONE_LINE:
        return f"phase {said['phase']} is one line of the service only"
    for name in ("tou", "consumptionTier", "cpp"):
        if said[name] not in ("", "0"):
            return f"{name} {said[name]} counts a part of the energy only"
    return None
