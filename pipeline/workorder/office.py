"""What the desk can do about a fault: the exact setting from what to what, and the proof to wait for.

Which setting that is stands in the fault's Remedy; here it gets the home's own numbers.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from typing import Any

from pipeline.core.settings import Settings
from pipeline.faults.types import Change, Stopgap
from pipeline.report import words
from pipeline.workorder.order import Case, DeskFix, Wait
from pipeline.workorder.say import measured

_UNKNOWN = "what is set now"
_MOVED = (
    "Enter it in visits.csv with fixed = false: the home stays listed for its visit.",
    "Set it back on the day the clamp is put right on site, or the leg reads wrong again.",
)
_SPEAKS = (
    "Enter the change in visits.csv on the day it is made (below): from then on only data since it speak."
)


def desk_fix(case: Case, settings: Settings) -> DeskFix | None:
    """Return what the desk can do; None where the fault is fixed on site and no setting can serve until then."""
    remedy = case.fault.remedy
    if isinstance(remedy.desk, Stopgap):
        return _stopgap(remedy.desk, case, settings)
    if remedy.desk is not None:
        return _SETTINGS[remedy.desk](case, settings)
    if remedy.fix_by == "office":
        return DeskFix(
            "Look the setting up before you change it.",
            (Change("setting", _UNKNOWN, "as it should be", remedy.action),),
            (Wait(remedy.prove, "", "", _nights(settings.orders.usual_nights)),),
            (_SPEAKS,),
        )
    return None


def _ct_amps(case: Case, settings: Settings) -> DeskFix:
    gain, error, how = _gain(case.signal)
    amps = case.home.register["ct_amps"]
    now = _UNKNOWN if amps is None else f"{amps:g} A, by the register"
    if gain is None or gain <= 0:
        to, why = "the rating on the clamps' labels", "the data give no single factor"
    else:
        why = f"both legs read {measured(gain, error, sign=False)} times the truth, {how}"
        if amps is None:
            to = f"{1 / gain:.2f} times what is set now"
        else:
            off = f" ± {amps / gain**2 * error:.0f}" if error is not None else ""
            to = f"{amps / gain:.0f}{off} A by the data; the label decides"
    waits = [
        _wait_slope(case, f"slope_{leg}", words.leg(leg), _slope_right(case), settings)
        for leg in case.install.channels
        if case.signal.get(f"slope_{leg}") is not None and _slope_right(case)
    ]
    return DeskFix(
        "Have the clamps' labels from the install photos, or from the crew: never ask the customer to open the panel. "
        "If the labels say what is set already, change nothing: this order's suspicion is wrong.",
        (Change("ct_amps (CT rating, both legs) in the monitor and in the register", now, to, why),),
        (*waits, *_wait_meter(case, settings)) or (_wait_load(settings),),
        (_SPEAKS,),
    )


def _ct_sees_pv(case: Case, settings: Settings) -> DeskFix:
    declared = case.home.register["ct_sees_pv"]
    signal, is_upstream = case.signal, case.install.sees_pv
    now = {True: "true", False: "false"}.get(declared, "empty")
    to = (
        "false (clamps around the loads only)"
        if is_upstream
        else "true (clamps upstream of the solar tie-in)"
    )
    wanted = 0.0 if is_upstream else _unit(case)
    legs = [leg for leg in case.install.channels if signal.get(f"slope_{leg}") is not None]
    told = ", ".join(
        f"{words.leg(leg)} {measured(signal[f'slope_{leg}'], signal.get(f'slope_{leg}_se'))}" for leg in legs
    )
    why = f"slope on PV is {told or 'unknown'} W per W; clamps there would give {words.number(wanted, 2, sign=True)}"
    waits = [
        Wait(
            f"slope of {words.leg(leg)} on PV beside the one expected",
            f"{measured(signal[f'slope_{leg}'], signal.get(f'slope_{leg}_se'))}, expected "
            f"{words.number(signal.get('slope_expected'), 2, sign=True)}",
            f"the same slope, expected {words.number(wanted, 2, sign=True)}",
            "the first night after the change",
        )
        for leg in legs
    ]
    return DeskFix(
        "Compare with the install photos: do the clamps lie on the utility's side of the solar breaker (true) or "
        "around the loads only (false)? If the photos agree with the record, change nothing and send a visit.",
        (Change("ct_sees_pv in the site's record (and in the source, if it keeps one)", now, to, why),),
        tuple(waits)
        or (Wait("this home on the list", "listed", "gone", _nights(settings.orders.usual_nights)),),
        (
            "The readings stay as they are; what is derived from them (load, self-use) is to be computed again.",
        ),
    )


def _stopgap(stopgap: Stopgap, case: Case, settings: Settings) -> DeskFix | None:
    """Its changes on each leg of the fault, until somebody puts it right on site."""
    legs = tuple(leg for leg in case.install.channels if case.leg in (leg, "both"))
    if not legs or case.install.service not in stopgap.services:
        return None
    changes = (
        replace(change, setting=change.setting.format(leg=words.leg(leg)))
        for change in stopgap.changes
        for leg in legs
    )
    return DeskFix(stopgap.when, tuple(dict.fromkeys(changes)), _right_again(case, settings, legs), _MOVED)


_SETTINGS = {"ct_amps": _ct_amps, "ct_sees_pv": _ct_sees_pv}


def _gain(signal: dict[str, Any]) -> tuple[float | None, float | None, str]:
    """Return reading over truth of both legs, its standard error, and how it is known; the meter before the sun."""
    meter = [signal.get(f"meter_gain_{leg}") for leg in ("l1", "l2")]
    known = [gain for gain in meter if gain is not None]
    if known and (signal.get("meter_share") or 0) > 0.5:
        return sum(known) / len(known), signal.get("meter_gain_se"), "by the utility meter"
    if signal.get("gain_sum") is not None and signal.get("expected_gain") != 0:
        return signal["gain_sum"], signal.get("gain_sum_se"), "by the answer to the sun"
    return None, None, ""


def _unit(case: Case) -> float:
    """Return the slope on PV [W/W] of a right leg upstream, without production added back."""
    return -1.0 if case.install.service == "single" else -0.5


def _slope_right(case: Case) -> float | None:
    """Return the slope [W/W] a right leg has as the home is declared; None where the sun proves nothing there."""
    if not case.install.sees_pv or case.install.pv_added_back:
        return None
    return _unit(case)


def _wait_slope(case: Case, column: str, name: str, right: float | None, settings: Settings) -> Wait:
    value, error = case.signal.get(column), case.signal.get(f"{column}_se")
    reach = settings.visits.gain_off * abs(right or 0)
    return Wait(
        f"slope of {name} on PV (W per W)",
        words.NOTHING if value is None else measured(value, error),
        f"{words.number(right, 2, sign=True)}, at most {reach:.2f} off",
        _nights(_nights_until(error, reach, case.signal, settings), "days of sun"),
    )


def _wait_meter(case: Case, settings: Settings) -> list[Wait]:
    if (case.signal.get("meter_share") or 0) <= 0.5:
        return []
    return [
        Wait(
            f"reading of {words.leg(leg)} over the truth, by the utility meter",
            measured(case.signal[f"meter_gain_{leg}"], case.signal.get("meter_gain_se"), sign=False),
            f"1.00, at most {settings.visits.gain_off:.2f} off",
            _nights(
                _nights_until(
                    case.signal.get("meter_gain_se"), settings.visits.gain_off, case.signal, settings
                )
            ),
        )
        for leg in case.install.channels
        if case.signal.get(f"meter_gain_{leg}") is not None
    ]


def _wait_load(settings: Settings) -> Wait:
    return Wait(
        "level of the legs beside the customer's bill", "", "alike", _nights(settings.orders.usual_nights)
    )


def _right_again(case: Case, settings: Settings, legs: tuple[str, ...]) -> tuple[Wait, ...]:
    """Nights above zero (no word where a battery may hold them below) and, where the sun can tell, the right slope."""
    names = " and ".join(words.leg(leg) for leg in legs)
    waits = []
    if not case.home.register["has_battery"]:
        levels = ", ".join(words.watts(case.signal.get(f"night_{leg}_w")) for leg in legs)
        wanted = _nights(settings.orders.min_nights)
        waits.append(Wait(f"night level of {names}", levels, "above 0 W, all night", wanted))
    right = _slope_right(case)
    if right is not None:
        each = [_wait_slope(case, f"slope_{leg}", names, right, settings) for leg in legs]
        waits.append(replace(each[-1], now=", ".join(wait.now for wait in each)))
    return tuple(waits)


def _nights_until(error: float | None, reach: float, signal: dict[str, Any], settings: Settings) -> int:
    """Return after how many nights a number as sure as this one is known to within `reach` of right.

    A standard error falls with the root of the days: days x (z se / reach)^2, at least [orders] min_nights.
    """
    days: float | None = signal.get("slope_days") or signal.get("nights")
    if error is None or not days or reach <= 0:
        return settings.orders.usual_nights
    wanted: float = days * (settings.visits.proof_z * error / reach) ** 2
    return max(settings.orders.min_nights, ceil(wanted))


def _nights(count: int, what: str = "nights") -> str:
    return f"after about {count} {what}"
