"""The two pictures that convince: chosen by what is suspected, drawn from the night's days and hours as SVG."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from pipeline.core.services import LINES, lines_of
from pipeline.core.setting_sections import ReportSettings
from pipeline.faults.types import PictureName
from pipeline.report import words
from pipeline.report.charts import daily_slopes, night_levels
from pipeline.report.pv_chart import leg_against_pv
from pipeline.report.right_slopes import expected_of, expected_slopes, right_text
from pipeline.report.series import HomeSeries, daylight, home_series
from pipeline.report.vega import Spec
from pipeline.workorder.charts import day_profile, leg_against_leg, night_floors, zero_shares
from pipeline.workorder.order import Case, Picture

WANTED = 2
_SIZE = {"width": 352, "height": 118}
_DARK_HOURS = (0, 4)
_FONT = "Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
_ID = re.compile(r'(?<=\bid=")[^"]+|(?<=url\(#)[^)]+|(?<=href="#)[^"]+')

Drawing = tuple[str, Spec | None, str]  # title, spec, caption


def pictures(case: Case, settings: ReportSettings) -> tuple[Picture, ...]:
    """Return the first two pictures of the fault's list that this home has the data for."""
    series = home_series(case.home.hours, case.home.days, case.home.register["timezone"])
    drawings: dict[str, Picture] = {}
    for name in (*_first(case), *_LAST):
        title, spec, caption = _DRAW[name](case, series, settings)
        if spec is not None and title not in drawings:
            drawings[title] = _picture(title, spec, caption, case, f"picture-{len(drawings) + 1}")
        if len(drawings) == WANTED:
            break
    return tuple(drawings.values())


def _first(case: Case) -> tuple[PictureName, ...]:
    """Return the fault's own pictures; at the loads, where the sun moves nothing, those of the sun come last."""
    chosen = case.fault.pictures
    if case.install.sees_pv or case.fault.is_record_error:
        return chosen
    return tuple(sorted((*chosen, *_LAST), key=lambda name: name in ("leg_against_pv", "daily_slopes")))


def _leg_against_pv(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    score, channels = case.home.score, case.install.channels
    leg = next((line for line in _suspected(case) if line in channels), "l1")
    slope, se = score[f"slope_{leg}"], score[f"slope_{leg}_se"]
    expected = expected_of(expected_slopes(score, channels), leg)
    points = daylight(series, leg, settings.daylight_share)
    spec = None
    if slope is not None:
        spec = _untitled(leg_against_pv(points, leg, slope, se=se, expected=expected, start=score["from_on"]))
    caption = f"{words.leg(leg)} moves by {words.slope(slope, se)} W for each W of production"
    if expected is not None:
        caption += f"; a right one, as declared, by {words.number(expected, 2, sign=True)}"
    return f"{words.leg(leg)} against production", spec, f"{caption}."


def _daily_slopes(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    score, channels = case.home.score, case.install.channels
    expected = expected_slopes(score, channels)
    spec = daily_slopes(
        series.days, expected, settings.slope_reach, onset=case.home.listed["since"], lines=_drawn(case)
    )
    if isinstance(expected, Mapping):
        spec = _untitled(spec, "dashed: right")  # what is right line by line is in the caption
    slopes = _by_leg(case, lambda leg: words.slope(score[f"slope_{leg}"], score[f"slope_{leg}_se"]))
    caption = f"Slope on production: {slopes} W per W; expected {right_text(expected, channels)}."
    return "Slope on PV, day by day", spec, caption


def _night_levels(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    spec = night_levels(series.days, settings.least_reach_w, case.home.listed["since"], lines=_drawn(case))
    levels = _by_leg(case, lambda leg: words.watts(case.home.score[f"night_{leg}_w"]))
    caption = f"Median {levels}. Without a battery a right {case.called.one} is above zero all night."
    return "Overnight baseload", spec, caption


def _day_profile(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    dark = series.hours.filter(pl.col("hour").is_between(_DARK_HOURS[0], _DARK_HOURS[1] - 1))
    means: dict[str, Any] = dark.select(pl.col("l1_w", "l2_w", "l3_w", "pv_w").mean()).row(0, named=True)
    caption = "Mean from midnight to 4:00: " + _by_leg(case, lambda leg: words.watts(means[f"{leg}_w"]))
    if means["pv_w"] is not None:
        caption += f", production {words.watts(means['pv_w'])}"
    spec = day_profile(series, case.home.score["from_on"], lines=case.install.channels)
    return "A mean day", spec, f"{caption}."


def _leg_against_leg(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    pair, start = _pair(case, series), case.home.score["from_on"]
    if pair is None:
        return "", None, ""
    across, up = (line.upper() for line in pair)
    title = f"{up} against {across}, hour by hour"
    if len(case.install.channels) == 2:
        caption = "Two legs that carry their own loads make a cloud; on a line, both CTs read one conductor."
        return title, leg_against_leg(series, start, pair), caption
    caption = (
        f"Two lines that carry their own loads make a cloud. If {up}'s CT is on line {across}, it reads minus half of "
        f"{across}; reversed as well, plus half."
    )
    return title, leg_against_leg(series, start, pair, others_share=0.5), caption


def _zero_shares(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    def percent(leg: str) -> str:
        share = case.home.score[f"zero_{leg}_share"]
        return words.NOTHING if share is None else f"{share * 100:.1f} %"

    spec = zero_shares(series.days, case.home.listed["since"], lines=_drawn(case))
    caption = f"At zero: {_by_leg(case, percent)} of all intervals."
    return "Share of intervals at zero", spec, caption


def _night_floors(case: Case, series: HomeSeries, settings: ReportSettings) -> Drawing:
    spec = night_floors(series, _DARK_HOURS, case.home.listed["since"], lines=_drawn(case))
    drops = _by_leg(case, lambda leg: words.watts(case.signal.get(f"floor_{leg}_drop_w")))
    right = f"a right {case.called.one}"
    caption = f"One night in ten falls this far below the usual low: {drops}. Standby loads keep {right} up."
    return "Lowest hour of each night", spec, caption


def _suspected(case: Case) -> tuple[str, ...]:
    return lines_of(case.leg, len(case.install.lines))


def _drawn(case: Case) -> tuple[str, ...]:
    """Return the lines of a picture by line; both legs at least, as tables have their columns."""
    return LINES[: max(2, len(case.install.channels))]


def _pair(case: Case, series: HomeSeries) -> tuple[str, str] | None:
    """Return the two lines to hold against each other, a suspected one last; of three those that run most alike."""
    channels = case.install.channels
    if len(channels) == 2:
        return channels[0], channels[1]
    suspected = _suspected(case) or channels
    pairs = [(other, line) for line in suspected for other in channels if other != line]
    alike = {
        pair: abs(series.hours.select(pl.corr(f"{pair[0]}_w", f"{pair[1]}_w")).item() or 0.0)
        for pair in pairs
    }
    return max(pairs, key=lambda pair: alike[pair], default=None)


_DRAW: dict[PictureName, Callable[[Case, HomeSeries, ReportSettings], Drawing]] = {
    "leg_against_pv": _leg_against_pv,
    "leg_against_leg": _leg_against_leg,
    "daily_slopes": _daily_slopes,
    "night_levels": _night_levels,
    "night_floors": _night_floors,
    "day_profile": _day_profile,
    "zero_shares": _zero_shares,
}
_LAST: tuple[PictureName, ...] = ("day_profile", "night_levels", "daily_slopes", "zero_shares")


def _by_leg(case: Case, text: Callable[[str], str]) -> str:
    return ", ".join(f"{words.leg(leg)} {text(leg)}" for leg in case.install.channels)


def _picture(title: str, spec: Spec, caption: str, case: Case, prefix: str) -> Picture:
    """Return the picture; the name beside the onset's line, which is in the legend's way, goes into the caption."""
    if "onset" in spec["datasets"]:
        caption += f" Dotted: {words.day(case.home.listed['since'])}."
        layers = [layer for layer in spec["layer"] if layer["mark"]["type"] != "text"]
        spec = spec | {"layer": layers}
    return Picture(title, _svg(spec, prefix), caption)


def _untitled(spec: Spec | None, title: str | None = None) -> Spec | None:
    """Return the spec with a short title for its legend or none: its own is as wide as half the sheet's picture."""
    for layer in spec["layer"] if spec else ():
        legend = layer.get("encoding", {}).get("color", {}).get("legend")
        if legend:
            legend["title"] = title
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
    return _ID.sub(lambda match: f"{prefix}-{numbers.setdefault(match[0], len(numbers))}", svg)
