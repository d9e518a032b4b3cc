"""What the statement's pages say, as sentences computed from its tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, TypeAlias

from pipeline.correction.layout import BY_DATA, BY_SETTING, BY_VISIT, EMPTY, ESTIMATED, FOUND
from pipeline.report import words

Row: TypeAlias = Mapping[str, Any]
QUANTITIES = {
    "use": "household use",
    "import": "taken from the utility",
    "export": "given to the utility",
    "net": "net reading (taken less given)",
    "production": "solar production",
}
SAME = "exact"
HALF_A_DECIMAL = 0.05  # h, less isn't shown
CAUTIONS = (
    "This is an estimate from the readings of current transformers (CTs). They are no revenue meter: billing follows "
    "the utility's own meter, and nothing here changes a bill.",
    "If the fault is the one named, the range holds the right value 95 times in 100. On top of it comes the accuracy "
    "of any CT, usually within a few per cent.",
    "Reported and put right are summed over the same hours. Hours left empty are in neither.",
    "Days and months run from midnight to midnight UTC, not local time.",
)
_BY_CHANCE = 0.05  # share of estimates that may agree with the meter to the last digit
_ENDED = {
    BY_VISIT: "a visit put it right on the next day",
    BY_SETTING: "a setting put it right on the next day",
    BY_DATA: "from the next day on the data show it gone",
}


def kwh(value: float | None) -> str:
    """Return kWh with a decimal below 100, "–" for None."""
    return words.number(value, 0 if value is not None and abs(value) >= 100 else 1)


def difference(row: Row, quantity: str) -> str:
    """Return corrected less reported kWh with its sign."""
    value = row[f"{quantity}_kwh_difference"]
    return words.number(value, 0 if value is not None and abs(value) >= 100 else 1, sign=True)


def month(text: str) -> str:
    """Return "2026-05" as May 2026."""
    return words.day(date.fromisoformat(f"{text}-01")).removeprefix("1 ")


def span(row: Row, quantity: str) -> str:
    """Return the corrected sum's 95 % interval, "498 to 519", or that it is exact; "–" where there is no sum."""
    if row[f"{quantity}_kwh_corrected"] is None:
        return words.NOTHING
    low, high = kwh(row[f"{quantity}_kwh_low"]), kwh(row[f"{quantity}_kwh_high"])
    return SAME if low == high else f"{low} to {high}"


def headline(row: Row) -> str | None:
    """Return the quantity that a row of the statement leads with: use, if it is known half the time; else net."""
    if not row["hours_covered"]:
        return None
    return "use" if row["hours_use"] >= row["hours_covered"] / 2 else "net"


def shown_quantities(row: Row) -> list[str]:
    """Return the quantities that say something of their own about an episode, the first being its headline."""
    first = headline(row)
    if first is None:
        return []
    flow = ["import", "export"] if row["hours_flow"] else []
    net = ["net"] if row["hours_flow"] and first == "use" else []
    before, after = row["production_kwh_reported"], row["production_kwh_corrected"]
    return [first, *flow, *net, *(["production"] if before is not None and kwh(before) != kwh(after) else [])]


def heading(row: Row) -> str:
    """Return the fault and its leg, and whether it was found or is suspected."""
    return f"{'Found' if row['basis'] == FOUND else 'Suspected'}: {_suspicion(row, 'fault', 'leg')}"


def _suspicion(row: Row, fault: str, leg: str) -> str:
    return words.suspicion(row[fault], row[leg], line_count=row.get("line_count"))


def period(row: Row) -> str:
    """Return from when to when the fault was there, and what ended it."""
    begun = words.day(row["from_on"])
    if row["to_on"] is None:
        return f"since {begun}; still there on {words.day(row['last_day'])}, the last day put right"
    ended = _ENDED.get(row["ended_by"])
    return f"from {begun} to {words.day(row['to_on'])}{f'; {ended}' if ended else ''}"


def basis(row: Row) -> str:
    """Return what says that the fault was there, with its likelihood, and the likeliest other fault."""
    if row["basis"] == FOUND:
        return "Found on a visit."
    text = f"Suspected by the data: {words.percent(row['likelihood'])} this fault."
    if row["rival_fault"] is None:
        return text
    rival = _suspicion(row, "rival_fault", "rival_leg")
    return f"{text} Could also be: {rival} ({words.percent(row['rival_likelihood'])}); the ranges cover both."


def energy(row: Row) -> str:
    """Return what the monitor reported and what a right install would have read."""
    quantity = headline(row)
    if quantity is None:
        return "None of these readings could be put right."
    name = words.sentence(QUANTITIES[quantity]).removesuffix(".")
    summed = row["hours_use"] if quantity == "use" else row["hours_covered"]
    is_part = row["hours"] - summed >= HALF_A_DECIMAL
    part = f", over {hours_of(summed)} of the {hours_of(row['hours'])} h" if is_part else ""
    found = span(row, quantity)
    return (
        f"{name} on {words.count(row['days'], 'day')}{part} with readings: the monitor reported "
        f"{kwh(row[f'{quantity}_kwh_reported'])} kWh; a right install would have read "
        f"{kwh(row[f'{quantity}_kwh_corrected'])} kWh{'' if found == SAME else f' ({found} kWh)'}."
    )


def hours(row: Row) -> str:
    """Return how many hours were put right in which way."""
    parts = {
        "put right exactly": row["hours_exact"],
        "estimated": row["hours_estimated"],
        "right as reported": row["hours_as_reported"],
        "left empty": row["hours_empty"],
    }
    present = {name: value for name, value in parts.items() if value}
    if len(present) == 1:
        return f"All {hours_of(row['hours'])} h with readings: {next(iter(present))}."
    said = ", ".join(f"{hours_of(value)} h {name}" for name, value in present.items())
    return f"Of {hours_of(row['hours'])} h with readings: {said}."


def hours_of(value: float) -> str:
    """Return hours, with a decimal below 100."""
    return words.number(value, 0 if value >= 100 or value == round(value) else 1)


def why(rows: Sequence[Row], method: str) -> list[str]:
    """Return why readings were estimated or left empty, most first."""
    of_method = [row for row in rows if row["method"] == method and row["reason"]]
    named = {EMPTY: "left empty", ESTIMATED: "estimated"}.get(method, method)
    return [
        f"{hours_of(row['hours'])} h {named}: {row['reason']}"
        for row in sorted(of_method, key=lambda row: (-row["hours"], row["reason"]))
    ]


def unmeasured(row: Row) -> str | None:
    """Return in how many of the hours the use isn't known, and why; None where it is known in all."""
    missing = row["hours_covered"] - row["hours_use"]
    if missing < HALF_A_DECIMAL:
        return None
    return (
        f"In {hours_of(missing)} h the household use can't be worked out: the solar production or the battery's power "
        "is not recorded."
    )


def meter(row: Row) -> list[str]:
    """Return how the readings agree with the utility's meter, before and after; what isn't compared, and why."""
    said = []
    if row["hours_meter"]:
        said += [
            f"In {hours_of(row['hours_meter'])} of these hours the utility's own meter counted "
            f"{kwh(row['meter_import_kwh'])} kWh taken and {kwh(row['meter_export_kwh'])} kWh given, net "
            f"{kwh(row['meter_net_kwh'])} kWh. By the readings as reported the net was "
            f"{kwh(row['meter_net_kwh_reported'])} kWh, put right it is {kwh(row['meter_net_kwh_corrected'])} kWh.",
            f"Hour by hour, the readings as reported differed from the meter by "
            f"{words.percent(row['meter_off_share_reported'])} of what it counted; put right, they differ by "
            f"{words.percent(row['meter_off_share_corrected'])}.",
        ]
    if row["hours_by_meter"] > _BY_CHANCE * row["hours_estimated"]:
        said.append(
            f"In {hours_of(row['hours_by_meter'])} h the corrected reading was worked out from this meter, so these "
            "hours are not compared with it."
        )
    return said or [
        "No readings of the utility's meter came with these hours, so there is nothing to compare with."
    ]
