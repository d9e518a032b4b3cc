"""Innocent causes: what is wrong may be the record, not the install. Each is a hypothesis with its own likelihood."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Cause:
    """An innocent cause: `words` for people, and what the office does about it before any truck goes."""

    words: str
    office: str


NOTHING, A_FAULT = "nothing", "a fault"  # what else the trees tell causes from
CAUSES: dict[str, Cause] = {
    "battery_unreported": Cause(
        "a battery that nobody reports",
        "Ask the owner or look at the permit for a battery; set has_battery, and send its power if the source has it.",
    ),
    "array_unmetered": Cause(
        "an array that nobody meters",
        "Compare the permit's arrays with the production channel; a second inverter's production must be added.",
    ),
    "production_scaled": Cause(
        "a production reading that is scaled wrongly",
        "Compare a clear day's production with the array's rating and the inverter's own count; correct its ratio.",
    ),
    "one_leg_inverter": Cause(
        "an inverter that feeds one leg only",
        "Look up the inverter's model: one that feeds 120 V lights one leg only, and both legs are right as they are.",
    ),
    "clock_wrong": Cause(
        "a clock that is hours off", "Compare the time stamps with sunrise; correct the source's time zone."
    ),
    "production_stopped": Cause(
        "an array that stands still or lies under snow",
        "Ask whether the inverter is off or covered; nothing can be said by the sun until it produces.",
    ),
    "vacant": Cause(
        "an empty home",
        "Nothing to correct: an empty home tells little. Look again when somebody lives there.",
    ),
    "logger": Cause(
        "a logger that loses or repeats values",
        "Look at the source's gaps, repeated values and zeros before anybody drives out.",
    ),
    "neutral_loose": Cause(
        "a loose service neutral",
        "A safety call, not an office fix: pass it on at once to whoever answers for the service.",
    ),
}
# What fleets with a known truth call their hard cases -> the cause; others look like nothing in particular.
CAUSE_OF = {
    "battery_undeclared": "battery_unreported", "battery_export": "battery_unreported",
    "battery_exporting": "battery_unreported", "second_array": "array_unmetered",
    "production_scaled": "production_scaled", "single_leg_inverter": "one_leg_inverter",
    "clock_offset": "clock_wrong", "local_time": "clock_wrong", "dst": "clock_wrong", "wrong_clock": "clock_wrong",
    "pv_outage": "production_stopped", "snow": "production_stopped", "vacant": "vacant",
    "gaps": "logger", "stale_values": "logger", "stale_repeats": "logger", "zero_dropouts": "logger",
    "sign_glitches": "logger", "loose_neutral": "neutral_loose",
}  # fmt: skip
