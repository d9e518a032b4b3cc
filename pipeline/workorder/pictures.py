"""The two pictures that convince: chosen by what is suspected, drawn from the night's days and hours as SVG."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline.core.setting_sections import ReportSettings
from pipeline.faults.types import PictureName
from pipeline.report import words
from pipeline.report.charts import daily_slopes, night_levels
from pipeline.report.pv_chart import leg_against_pv
from pipeline.report.series import HomeSeries, daylight, home_series
from pipeline.report.vega import Spec
from pipeline.workorder.charts import day_profile, leg_against_leg, night_floors, zero_shares
from pipeline.workorder.order import Case, Picture

WANTED = 2
_SIZE = {"width": 352, "height": 158}
_DARK_HOURS = (0, 4)
_FONT = "Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
_ID = re.compile(r'(?<=\bid=")[^"]+|(?<=url\(#)[^)]+|(?<=href="#)[^"]+')

Drawn = tuple[str, Spec | None, str]  # title, spec, caption
Draw = Callable[[Case, HomeSeries, ReportSettings], Drawn]


def pictures(case: Case, own: ReportSettings) -> tuple[Picture, ...]:
    """Return the first two pictures of the fault's list that this home has the data for."""
    series = home_series(case.home.hours, case.home.days, case.home.register["timezone"])
    found: list[Picture] = []
    for name in (*_first(case), *_LAST):
        title, spec, caption = _DRAWN[name](case, series, own)
        if spec is not None and title not in [picture.title for picture in found]:
            found.append(_picture(title, spec, caption, case, f"picture-{len(found) + 1}"))
        if len(found) == WANTED:
            break
    return tuple(found)


def _first(case: Case) -> tuple[PictureName, ...]:
    """Return the fault's own pictures; at the loads, where the sun moves nothing, those of the sun come last."""
    chosen = case.fault.pictures
    if case.install.sees_pv or case.fault.is_record_error:
        return chosen
    return tuple(sorted((*chosen, *_LAST), key=lambda name: name in ("leg_against_pv", "daily_slopes")))


def _against_pv(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    leg, score = _leg(case), case.home.score
    slope, se, expected = score[f"slope_{leg}"], score[f"slope_{leg}_se"], score["slope_expected"]
    points = daylight(series, leg, own.daylight_share)
    spec = None
    if slope is not None:
        spec = _untitled(leg_against_pv(points, leg, slope, se, expected, case.home.score["from_on"]))
    right = (
        "" if expected is None else f"; a right one, as declared, by {words.number(expected, 2, sign=True)}"
    )
    return (
        f"{words.leg(leg)} against production",
        spec,
        f"{words.leg(leg)} moves by {words.slope(slope, se)} W for each W of production{right}.",
    )


def _slopes(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    score = case.home.score
    spec = daily_slopes(series.days, score["slope_expected"], own.slope_reach, case.home.listed["since"])
    told = _each(
        case, lambda leg: f"{words.leg(leg)} {words.slope(score[f'slope_{leg}'], score[f'slope_{leg}_se'])}"
    )
    expected = words.number(score["slope_expected"], 2, sign=True)
    return "Answer to the sun, day by day", spec, f"Slope on production: {told} W per W; expected {expected}."


def _nights(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    score = case.home.score
    spec = night_levels(series.days, own.least_reach_w, case.home.listed["since"])
    told = _each(case, lambda leg: f"{words.leg(leg)} {words.watts(score[f'night_{leg}_w'])}")
    return (
        "Level of each night",
        spec,
        f"Median {told}. Without a battery a right leg is above zero all night.",
    )


def _profile(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    start = case.home.score["from_on"]
    dark = series.hours.filter(pl.col("hour").is_between(_DARK_HOURS[0], _DARK_HOURS[1] - 1))
    at_night = {name: dark.get_column(name).mean() for name in ("l1_w", "l2_w", "pv_w")}
    told = _each(case, lambda leg: f"{words.leg(leg)} {words.watts(_number(at_night[f'{leg}_w']))}")
    produced = (
        f", production {words.watts(_number(at_night['pv_w']))}" if at_night["pv_w"] is not None else ""
    )
    return "A mean day", day_profile(series, start), f"Mean from midnight to 4:00: {told}{produced}."


def _legs(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    spec = leg_against_leg(series, case.home.score["from_on"]) if len(case.install.legs) == 2 else None
    return (
        "L2 against L1, hour by hour",
        spec,
        "Two legs that carry their own loads make a cloud; dots along a line are one conductor read twice.",
    )


def _zeros(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    score = case.home.score
    told = _each(case, lambda leg: f"{words.leg(leg)} {_tenths(score[f'zero_{leg}_share'])}")
    return (
        "Zero while the rest of the home lives",
        zero_shares(series.days, case.home.listed["since"]),
        f"At zero: {told} of all intervals.",
    )


def _floors(case: Case, series: HomeSeries, own: ReportSettings) -> Drawn:
    signal = case.signal
    told = _each(
        case, lambda leg: f"{words.leg(leg)} {words.watts(_number(signal.get(f'floor_{leg}_drop_w')))}"
    )
    return (
        "Lowest hour of each night",
        night_floors(series, _DARK_HOURS, case.home.listed["since"]),
        f"One night in ten falls this far below the usual low: {told}. What stands by gives a right leg a floor.",
    )


_DRAWN: dict[PictureName, Draw] = {
    "leg_against_pv": _against_pv,
    "leg_against_leg": _legs,
    "daily_slopes": _slopes,
    "night_levels": _nights,
    "night_floors": _floors,
    "day_profile": _profile,
    "zero_shares": _zeros,
}
_LAST: tuple[PictureName, ...] = ("day_profile", "night_levels", "daily_slopes", "zero_shares")


def _leg(case: Case) -> str:
    return case.leg if case.leg in case.install.legs else "l1"


def _each(case: Case, tell: Callable[[str], str]) -> str:
    return ", ".join(tell(leg) for leg in case.install.legs)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _tenths(share: float | None) -> str:
    return words.NOTHING if share is None else f"{share * 100:.1f} %"


def _picture(title: str, spec: Spec, caption: str, case: Case, prefix: str) -> Picture:
    """Return the picture; the name beside the onset's line, which is in the legend's way, goes into the caption."""
    if "onset" in spec["datasets"]:
        caption += f" Dotted: {words.day(case.home.listed['since'])}."
        layers = [layer for layer in spec["layer"] if layer["mark"]["type"] != "text"]
        spec = spec | {"layer": layers}
    return Picture(title, _svg(spec, prefix), caption)


def _untitled(spec: Spec | None) -> Spec | None:
    """Return the spec without the legend's title, which is as wide as half the sheet's picture."""
    for layer in spec["layer"] if spec else ():
        legend = layer.get("encoding", {}).get("color", {}).get("legend")
        if legend:
            legend["title"] = None
    return spec


def _svg(spec: Spec, prefix: str) -> str:
    """Return the spec as SVG of the sheet's size; ids count anew, apart from those of the other picture."""
    sized = spec | _SIZE | {"autosize": {"type": "fit", "contains": "padding"}}
    config = spec["config"]
    small = {"labelFontSize": 10.5, "titleFontSize": 10.5}
    sized["config"] = config | {
        "font": _FONT,
        "axis": config["axis"] | small,
        "legend": config["legend"] | small | {"titleOrient": "left", "symbolSize": 60, "offset": 4},
    }
    import vl_convert  # a night loads this module, but draws no SVG

    svg = vl_convert.vegalite_to_svg(sized)
    numbers: dict[str, int] = {}  # the renderer counts its ids through the process
    return _ID.sub(lambda found: f"{prefix}-{numbers.setdefault(found[0], len(numbers))}", svg)
