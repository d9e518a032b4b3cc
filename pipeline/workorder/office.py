"""What a remote fix changes: the exact setting from what to what, and the number that verifies it.

Which setting that is stands in the fault's Remedy; here it gets the home's own numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import ceil
from typing import Any

from pipeline.core.services import lines_of
from pipeline.core.settings import Settings
from pipeline.faults.types import Change, Stopgap
from pipeline.probes.leg_text import together
from pipeline.report import words
from pipeline.report.right_slopes import expected_of, expected_slopes, right_text
from pipeline.workorder.order import Case, DeskFix, Verification
from pipeline.workorder.pv_slopes import right_slopes, upstream_slopes

_UNKNOWN = "what is set now"
_UNTIL_VISIT = (
    "Record it in visits.csv with fixed = false: the home stays listed for its visit.",
    "Set it back on the day of the site visit, or the leg reads wrong again.",
)
_ENTER_CHANGE = (
    "Record the change in visits.csv on the day it is made (below): from then on only newer data count."
)
_LABELS_FIRST = (
    "Read the CTs' labels on the install photos, or ask the crew. Never ask the customer to open the panel. "
    "If the labels agree with the setting, change nothing: the suspicion is wrong."
)
_PHOTOS_FIRST = (
    "Look at the install photos: are the CTs on the utility's side of the solar breaker (true) or around the loads "
    "only (false)? If the photos agree with the site record, change nothing and send a truck."
)
_DERIVE_AGAIN = (
    "The readings stay as they are. Compute again what is derived from them (load, self-consumption)."
)


def desk_fix(case: Case, settings: Settings) -> DeskFix | None:
    """Return the remote fix; None where the fault is fixed on site and no setting can serve until then."""
    remedy = case.fault.remedy
    if isinstance(remedy.desk, Stopgap):
        return _fix_by_stopgap(remedy.desk, case, settings)
    if remedy.desk is not None:
        return {"ct_amps": _fix_ct_amps, "ct_sees_pv": _fix_ct_sees_pv}[remedy.desk](case, settings)
    if remedy.fix_by == "office":
        return DeskFix(
            "Look the setting up before you change it.",
            (Change("setting", _UNKNOWN, "as it should be", case.called.retell(remedy.action)),),
            (Verification(case.called.retell(remedy.prove), "", "", _after(settings.orders.usual_nights)),),
            (_ENTER_CHANGE,),
        )
    return None


def _fix_ct_amps(case: Case, settings: Settings) -> DeskFix:
    gain, error, source = _gain(case)
    is_one = len(case.install.channels) == 1
    read = (
        "the total reads"
        if case.install.is_summed
        else "the line reads"
        if is_one
        else f"{case.called.together} read"
    )
    rating = "CT rating" if len(case.install.lines) == 1 else f"CT rating, {case.called.together}"
    amps = case.home.register["ct_amps"]
    now = _UNKNOWN if amps is None else f"{amps:g} A by the site record"
    if gain is None or gain <= 0:
        to, why = "the rating on the CTs' labels", "the data give no single factor"
    else:
        why = f"{read} {_measured(gain, error, sign=False)} times the true value, {source}"
        if amps is None:
            to = f"{1 / gain:.2f} times what is set now"
        else:
            amps_error = f" ± {amps / gain**2 * error:.0f}" if error is not None else ""
            to = f"{amps / gain:.0f}{amps_error} A by the data; the label decides"
    rights = right_slopes(case)
    slopes = [
        _verify_slope(case, leg, words.leg(leg), right, settings)
        for leg, right in rights.items()
        if case.signal.get(f"slope_{leg}") is not None
    ]
    usual = _after(settings.orders.usual_nights)
    level = f"level of the {case.called.one if is_one else case.called.many} beside the customer's bill"
    bill = Verification(level, "", "alike", usual)
    return DeskFix(
        _LABELS_FIRST,
        (Change(f"ct_amps ({rating}) in the monitor and in the site record", now, to, why),),
        (*slopes, *_verify_meter(case, settings)) or (bill,),
        (_ENTER_CHANGE,),
    )


def _fix_ct_sees_pv(case: Case, settings: Settings) -> DeskFix:
    is_upstream = case.install.sees_pv
    now = {True: "true", False: "false"}.get(case.home.register["ct_sees_pv"], "empty")
    to = "false (CTs around the loads only)" if is_upstream else "true (CTs upstream of the solar tie-in)"
    channels = case.install.channels
    expected = expected_slopes({"slope_expected": None, **case.signal}, channels)
    right = 0.0 if is_upstream else upstream_slopes(case)
    slopes = {
        leg: _measured_slope(case, leg) for leg in channels if case.signal.get(f"slope_{leg}") is not None
    }
    measured = ", ".join(f"{words.leg(leg)} {text}" for leg, text in slopes.items()) or "unknown"
    why = f"slope on PV is {measured} W per W; CTs there would give {right_text(right, channels)}"
    verifications = tuple(
        Verification(
            f"slope of {words.leg(leg)} on PV beside the one expected",
            f"{text}, expected {right_text(expected_of(expected, leg), channels)}",
            f"the same slope, expected {right_text(expected_of(right, leg), channels)}",
            "the first night after the change",
        )
        for leg, text in slopes.items()
        if case.install.pv_shares[leg]
    )
    usual = _after(settings.orders.usual_nights)
    return DeskFix(
        _PHOTOS_FIRST,
        (Change("ct_sees_pv in the site record (and in the data source, if it has one)", now, to, why),),
        verifications or (Verification("this home on the list", "listed", "gone", usual),),
        (_DERIVE_AGAIN,),
    )


def _fix_by_stopgap(stopgap: Stopgap, case: Case, settings: Settings) -> DeskFix | None:
    """Return its changes on each leg of the fault, until somebody puts it right on site.

    Verified by nights above zero (no word where a battery may hold them below) and, where the sun can tell, the right
    slope.
    """
    faulty = lines_of(case.leg, len(case.install.lines))
    legs = [leg for leg in case.install.channels if leg in faulty]
    if not legs or case.install.is_summed or case.install.service not in stopgap.services:
        return None
    changes = [
        replace(change, setting=change.setting.format(leg=words.leg(leg)), why=case.called.retell(change.why))
        for change in stopgap.changes
        for leg in legs
    ]
    names = together([words.leg(leg) for leg in legs])
    verifications = []
    if not case.home.register["has_battery"]:
        levels = ", ".join(words.watts(case.signal.get(f"night_{leg}_w")) for leg in legs)
        nights = _after(settings.orders.min_nights)
        verifications.append(
            Verification(f"overnight baseload of {names}", levels, "above 0 W, all night", nights)
        )
    fed = {leg: right for leg, right in right_slopes(case).items() if leg in legs}
    if fed:
        slopes = ", ".join(_measured_slope(case, leg) for leg in fed)
        last, names = [*fed][-1], together([words.leg(leg) for leg in fed])
        verifications.append(_verify_slope(case, last, names, fed[last], settings)._replace(now=slopes))
    return DeskFix(
        case.called.retell(stopgap.when),
        tuple(dict.fromkeys(changes)),
        tuple(verifications),
        tuple(map(case.called.retell, _UNTIL_VISIT)),
    )


def _gain(case: Case) -> tuple[float | None, float | None, str]:
    """Return reading over truth of all legs, its standard error, and how it is known; the meter before the sun."""
    signal = case.signal
    measured = [signal.get(f"meter_gain_{leg}") for leg in case.install.channels]
    gains = [gain for gain in measured if gain is not None]
    if gains and _has_meter(signal):
        return sum(gains) / len(gains), signal.get("meter_gain_se"), "by the utility meter"
    if signal.get("gain_sum") is not None and signal.get("expected_gain") != 0:
        return signal["gain_sum"], signal.get("gain_sum_se"), "by the slope on PV"
    return None, None, ""


def _has_meter(signal: Mapping[str, Any]) -> bool:
    return (signal.get("meter_share") or 0) > 0.5


def _verify_slope(case: Case, leg: str, name: str, right: float, settings: Settings) -> Verification:
    tolerance = settings.visits.gain_off * abs(right)
    nights = _nights_until(case.signal.get(f"slope_{leg}_se"), tolerance, case.signal, settings)
    then = f"{words.number(right, 2, sign=True)}, at most {tolerance:.2f} off"
    return Verification(
        f"slope of {name} on PV (W per W)", _measured_slope(case, leg), then, _after(nights, "days of sun")
    )


def _verify_meter(case: Case, settings: Settings) -> list[Verification]:
    if not _has_meter(case.signal):
        return []
    error, tolerance = case.signal.get("meter_gain_se"), settings.visits.gain_off
    return [
        Verification(
            f"reading of {words.leg(leg)} over the true value, by the utility meter",
            _measured(case.signal[f"meter_gain_{leg}"], error, sign=False),
            f"1.00, at most {tolerance:.2f} off",
            _after(_nights_until(error, tolerance, case.signal, settings)),
        )
        for leg in case.install.channels
        if case.signal.get(f"meter_gain_{leg}") is not None
    ]


def _nights_until(
    error: float | None, tolerance: float, signal: Mapping[str, Any], settings: Settings
) -> int:
    """Return after how many nights a number as sure as this one is known to within `tolerance` of right.

    A standard error falls with the root of the days: days x (z se / tolerance)^2, at least [orders] min_nights.
    """
    days: float | None = signal.get("slope_days") or signal.get("nights")
    if error is None or not days or tolerance <= 0:
        return settings.orders.usual_nights
    return max(settings.orders.min_nights, ceil(days * (settings.visits.proof_z * error / tolerance) ** 2))


def _measured_slope(case: Case, leg: str) -> str:
    return _measured(case.signal.get(f"slope_{leg}"), case.signal.get(f"slope_{leg}_se"))


def _measured(value: float | None, error: float | None, *, sign: bool = True) -> str:
    """Return a number with its standard error where it is known, to the error's hundredths or thousandths."""
    if value is None:
        return words.NOTHING
    decimals = 3 if error is not None and error < 0.01 else 2
    text = words.number(value, decimals, sign=sign)
    return text if error is None else f"{text} ± {max(error, 0.001):.{decimals}f}"


def _after(count: int, unit: str = "nights") -> str:
    return f"after about {count} {unit}"
