"""What each probe and each of its quantities measures, in words for people, and numbers in their own units."""

from __future__ import annotations

from math import exp, floor, log10, sinh

from pipeline.core.line_words import LineWords
from pipeline.probes.measured import OF_THREE_LINES
from pipeline.report import words

# Words of the fleet for its lines stand in braces (`LineWords.spell`).
MEASURED = {
    "sun": "How much of each watt of production a {one}'s reading shows, against what a right CT at its declared "
    "position shows. Right is 1 for a CT upstream of the solar tie-in, 0 at the loads.",
    "phase": "How far a {one}'s current leads its voltage while production ramps. Right is near 0.",
    "nights": "What the {many} read with no sun and no battery, when a household only consumes. Right is above 0.",
    "daylight": "What the readings do while the sun is up, and whether they are there without it.",
    "production": "Whether the production channel goes by the sun's clock, is dark by night, and is as large as the "
    "array's rating.",
    "zeros": "How often a {one} reads nothing while the rest of the home lives. Right is hardly ever.",
    "floors": "What always stands by gives a night a floor; how often and how far readings fall through it.",
    "leaks": "What a {one} copies of the other {one}'s steps, as leads that run side by side do. Right is 0.",
    "mirror": "Whether one {one} is the other's copy or mirror, as two CTs around one conductor are.",
    "pairs": "How alike {pair} step when a {shared_load} starts or stops. Right is 1.",
    "sag": "Whether a {one}'s own voltage sags under its own load, which tells which {one} a CT is really on.",
    "wiring": "Which CT is on which of three lines and which way round, of all 48 ways, by all evidence together, in "
    "log odds. Right is above 0 for the right wiring, below 0 for a CT turned around or on another line.",
    "meter": "The {many}' readings against the utility's own meter, which counts the same energy. Right is 1.",
}
QUANTITIES = {
    "sun.gain": "share of production seen, a {one}",
    "sun.gain_sum": "share of production seen, {together}",
    "sun.gain_apart": "{many} apart",
    "sun.noon_apart": "morning and afternoon apart",
    "sun.days_apart": "days apart beyond their own errors",
    "sun.stray": "share of production seen on a line that it does not feed",
    "sun.slope_net": "slope on production at the utility meter",
    "phase.lead": "lead of the current",
    "nights.middle": "usual level of a {one}",
    "nights.low": "low level of a {one}",
    "nights.high": "high level of a {one}",
    "nights.sum_middle": "usual level of the home",
    "nights.sum_low": "low level of the home",
    "nights.sum_high": "high level of the home",
    "nights.negative_share": "readings below zero, a {one}",
    "nights.sum_negative_share": "readings below zero, the home",
    "daylight.negative_share": "daytime readings below zero",
    "daylight.pv_correlation": "correlation with production",
    "daylight.sky_correlation": "correlation with the sun's height",
    "daylight.zero_in_dark_share": "zeros in the dark",
    "daylight.dark_size": "size in the dark",
    "daylight.energy": "energy a day",
    "daylight.balanced_share": "sunny readings whose {many} sum to about zero",
    "production.sky_correlation": "correlation with the sun's height",
    "production.noon": "hours from the sun's noon",
    "production.dark_share": "energy counted in the dark",
    "production.alive_in_dark_share": "dark readings that are not zero",
    "production.peak_of_rating": "peak over the array's rating",
    "production.hours_of_rating": "hours a day at the array's rating",
    "zeros.zero_share": "zeros",
    "zeros.tiny_share": "near zeros",
    "zeros.lone_share": "zeros while the rest lives",
    "zeros.gap_share": "zeros at night while the other {one} lives",
    "zeros.sharpness": "of low readings, those exactly zero",
    "zeros.drops": "drops to zero",
    "zeros.in_dark_share": "zeros in the dark",
    "zeros.night": "usual level of a night",
    "zeros.all_share": "all channels zero at once",
    "floors.drop": "fall on one night in ten",
    "floors.soft": "fall on a softer count",
    "floors.wander": "wander of the nights' lows",
    "floors.negative_share": "night readings below zero",
    "floors.glitches": "short flips of sign",
    "floors.low": "low level of a {one}",
    "floors.sum_low": "low level of the home",
    "leaks.leak": "copy of the other {one}'s step",
    "leaks.least": "least copy in three steps of four",
    "mirror.leg_corr_night": "correlation of the {many}, nights",
    "mirror.leg_corr_day": "correlation of the {many}, days",
    "mirror.step_corr_night": "correlation of their steps, nights",
    "mirror.step_corr_day": "correlation of their steps, days",
    "mirror.step_gain": "size of L2's steps over L1's",
    "mirror.equal_share": "steps exactly alike, nights",
    "mirror.mirror_share": "steps alike with the sign turned, nights",
    "mirror.equal_day_share": "steps exactly alike, days",
    "mirror.mirror_day_share": "steps alike with the sign turned, days",
    "mirror.equal_lomiddle": "low levels from being equal",
    "mirror.cancel_lomiddle": "low levels from cancelling",
    "mirror.equal_middle": "usual levels from being equal",
    "mirror.cancel_middle": "usual levels from cancelling",
    "mirror.equal_high": "high levels from being equal",
    "mirror.cancel_high": "high levels from cancelling",
    "pairs.log_ratio": "L2's step over L1's",
    "pairs.opposite_share": "steps of opposite signs",
    "sag.own_z": "own sag over its error",
    "sag.own_v": "own sag",
    "sag.log_ratio": "L2's sag over L1's",
    "sag.one_leg_z": "sag on L1's reading alone over its error",
    "sag.size": "sag of the service",
    "sag.volts_log_ratio": "V2 over V1",
    "meter.log_gain": "reading over the meter's",
    "meter.explained": "share of the meter's moves explained",
    "meter.production_weight": "production that the meter adds",
    "meter.energy_ratio": "meter's energy over the {many}'",
    "wiring.right": "log odds of the right wiring",
    "wiring.turned": "log odds that a CT is turned around",
    "wiring.moved": "log odds that a CT is on another line",
}
# Of a fleet with three lines anywhere: a home has such a number a pair.
_OF_PAIRS = {
    "mirror.step_gain": "size of one line's steps over the other's",
    "pairs.log_ratio": "one line's step over the other's",
    "sag.log_ratio": "one line's sag over the other's",
    "sag.one_leg_z": "sag on one line's reading alone over its error",
    "sag.volts_log_ratio": "one line's voltage over the other's",
}
STRATA = {
    "at the loads": "CTs at the loads",
    "at the loads, added back": "CTs at the loads, production added back",
    "upstream": "CTs upstream of the solar tie-in",
    "upstream, added back": "CTs upstream, production added back",
    "position unknown": "position not on record",
    "position unknown, added back": "position not on record, production added back",
}
STRATA |= {f"{name}{OF_THREE_LINES}": f"{title}, three lines" for name, title in STRATA.items()}
_UNITS = {"deg": "°", "h": "h", "1/day": "a day", "W/W": "W per W", "V/kW": "V per kW", "se": "errors"}
_SINH = {"asinh(W/20)": (20.0, "W"), "asinh(kWh/0.5)": (0.5, "kWh")}


def what_is_measured(probe: str, lines: LineWords) -> str:
    """Return what a probe measures, in the fleet's words for its lines."""
    return lines.spell(MEASURED[probe])


def quantity_name(probe: str, quantity: str, lines: LineWords) -> str:
    """Return what a probe's quantity is called, in the fleet's words for its lines."""
    key = f"{probe}.{quantity}"
    of_pairs = _OF_PAIRS.get(key) if lines.one == "line" else None
    return of_pairs or lines.spell(QUANTITIES.get(key, words.plain(quantity)))


def scatter(quantity: str, unit: str, centre: float | None, *, spread: float | None) -> str:
    """Return how right homes scatter: "0.998 ± 0.014"; where spreads are uneven, "170 W (46 to 600)".

    Parameters
    ----------
    quantity, unit
        A probe's quantity by its name, and its unit.
    centre, spread
        In that unit, None where unknown.
    """
    if centre is None or spread is None:
        return words.NOTHING
    if unit in _SINH or "log_" in quantity:
        scale, name = _SINH.get(unit, (1.0, ""))
        ends = (centre, centre - spread, centre + spread)
        middle, low, high = (scale * (sinh(end) if unit in _SINH else exp(end)) for end in ends)
        decimals = _decimals((high - low) / 2)
        middle_text, low_text, high_text = (words.number(end, decimals) for end in (middle, low, high))
        text = f"{middle_text} {name}".strip() + f" ({low_text} to {high_text})"
    else:
        name = _UNITS.get(unit, "" if unit == "-" else unit)
        if quantity.endswith("share"):
            centre, spread, name = 100 * centre, 100 * spread, "%"
        decimals = _decimals(spread)
        text = f"{words.number(centre, decimals)} ± {words.number(spread, decimals)} {name}".strip()
    return text.replace(" ", "\u00a0")  # no line breaks within a number and its unit


def _decimals(spread: float) -> int:
    """Return decimals that leave a spread two digits."""
    return max(0, min(4, 1 - floor(log10(spread)))) if spread > 0 else 2
