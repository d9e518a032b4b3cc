"""The pictures: each spec renders with marks for its data, shows the physics, and is absent without data."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise

import polars as pl
import pytest
import vl_convert
from example import AS_OF, CASES

from pipeline.report import ReportInput
from pipeline.report.charts import daily_slopes, day_hour_map, night_levels
from pipeline.report.pv_chart import leg_against_pv
from pipeline.report.series import HomeSeries, daylight, home_series
from pipeline.report.theme import PALETTE, light, swaps
from pipeline.report.vega import Spec
from pipeline.report.weight_chart import running_totals, weight_bars

ONSET = AS_OF - timedelta(days=12)


@pytest.fixture(scope="module")
def reversed_home(night: ReportInput) -> HomeSeries:
    own = pl.col("site_id") == CASES[0].site_id
    return home_series(night.site_hour.filter(own), night.site_daily.filter(own), "America/Denver")


def marks(spec: Spec, role: str) -> int:
    """Return how many shapes the rendered picture has for marks of that kind."""
    svg = vl_convert.vegalite_to_svg(spec)
    groups = [part.split("</g>")[0] for part in svg.split('<g class="mark-')]
    wanted = [group for group in groups if group.startswith(f"{role} role-mark")]
    return sum(group.count("<path") + group.count("<text") + group.count("<line") for group in wanted)


def test_the_map_has_a_cell_for_each_hour_and_marks_the_onset(reversed_home: HomeSeries) -> None:
    spec = day_hour_map(reversed_home, "l1", 2000, onset=ONSET)
    assert spec is not None
    assert marks(spec, "rect") == reversed_home.hours.height == 30 * 24
    assert marks(spec, "rule") == 1


def test_the_map_turns_its_sign_at_the_onset(reversed_home: HomeSeries) -> None:
    noon = reversed_home.hours.filter(pl.col("hour") == 12)
    assert noon.filter(pl.col("day") < ONSET).get_column("l1_w").median() < -1000
    assert noon.filter(pl.col("day") >= ONSET).get_column("l1_w").median() > 1000


def test_leg_against_pv_draws_both_lines_through_the_median_point(reversed_home: HomeSeries) -> None:
    points = daylight(reversed_home, "l1", 0.02)
    spec = leg_against_pv(points, "l1", 0.5, se=0.02, expected=-0.5, start=ONSET)
    assert spec is not None
    assert marks(spec, "symbol") == points.height
    assert marks(spec, "line") == 2
    assert marks(spec, "area") == 1
    fitted, expected = (
        [p for p in spec["datasets"]["lines"] if p["line"].startswith(n)] for n in ("measured", "right")
    )
    assert fitted[1]["w"] == expected[1]["w"]
    rise = (fitted[2]["w"] - fitted[0]["w"]) / (fitted[2]["pv"] - fitted[0]["pv"])
    assert rise == pytest.approx(0.5, abs=0.01)


def test_days_before_the_start_are_apart_from_the_fit(reversed_home: HomeSeries) -> None:
    points = daylight(reversed_home, "l1", 0.02)
    spec = leg_against_pv(points, "l1", 0.5, se=0.02, expected=-0.5, start=ONSET)
    assert spec is not None
    assert {row["day"] < str(ONSET) for row in spec["datasets"]["earlier"]} == {True}
    assert {row["day"] >= str(ONSET) for row in spec["datasets"]["hours"]} == {True}


def test_an_unfitted_slope_leaves_the_cloud_and_the_expected_line(reversed_home: HomeSeries) -> None:
    spec = leg_against_pv(daylight(reversed_home, "l2", 0.02), "l2", None, se=None, expected=-0.5, start=None)
    assert spec is not None
    assert {line["line"] for line in spec["datasets"]["lines"]} == {"right −0.50"}
    assert marks(spec, "line") == 1


def test_nights_and_slopes_have_a_mark_a_leg_and_day(reversed_home: HomeSeries) -> None:
    nights = night_levels(reversed_home.days, 100, ONSET)
    slopes = daily_slopes(reversed_home.days, -0.5, 1.2, onset=ONSET)
    assert nights is not None
    assert slopes is not None
    assert marks(nights, "symbol") == 60
    assert nights["datasets"]["onset"] == [{"day": "2026-06-02", "name": "since 2 Jun 2026"}]
    assert marks(slopes, "symbol") == 60


def test_an_onset_before_the_days_shown_is_not_drawn(reversed_home: HomeSeries) -> None:
    spec = night_levels(reversed_home.days, 100, date(2025, 1, 1))
    assert spec is not None
    assert "onset" not in spec["datasets"]


def test_weights_add_up_from_the_prior_to_the_score(night: ReportInput) -> None:
    own = night.site_weight.filter(pl.col("site_id") == "MH-20417")
    bars = running_totals(own)
    assert [bar["kind"] for bar in bars] == ["start", "raises", "raises", "lowers", "raises", "raises", "sum"]
    assert bars[-1]["end"] == pytest.approx(2.7515, abs=0.001)  # log(0.94 / 0.06)
    assert all(upper["end"] == lower["start"] for upper, lower in pairwise(bars[:-1]))
    spec = weight_bars(own)
    assert spec is not None
    assert marks(spec, "rect") == len(bars)


def test_probes_that_say_little_or_could_not_tell_share_a_bar(night: ReportInput) -> None:
    own = night.site_weight.filter(pl.col("site_id") == "MH-20417")
    folded = [bar for bar in running_totals(own) if bar["label"].startswith("2 other probes together")]
    little = own.filter(pl.col("probe").is_in(["leaks", "sag"]))["weight"].sum()
    assert len(folded) == 1
    assert folded[0]["end"] - folded[0]["start"] == pytest.approx(little, abs=0.002)
    assert any(bar["label"].startswith("Voltage sag") for bar in running_totals(own, "sag"))


def test_nothing_to_draw_gives_none(night: ReportInput) -> None:
    none = home_series(night.site_hour.clear(), night.site_daily.clear(), None)
    assert day_hour_map(none, "l1", 100, onset=None) is None
    assert leg_against_pv(daylight(none, "l1", 0.02), "l1", 0.5, se=0.1, expected=-0.5, start=None) is None
    assert night_levels(none.days, 100, None) is None
    assert daily_slopes(none.days, -0.5, 1.2, onset=None) is None
    assert weight_bars(night.site_weight.clear()) is None


def test_hours_are_local_and_the_repeated_hour_is_a_mean(night: ReportInput) -> None:
    # Denver leaves summer time at 2025-11-02 08:00 UTC: 07:00 and 08:00 UTC are both 1 o'clock.
    start = datetime(2025, 11, 2, 6)
    hours = pl.DataFrame(
        {"hour_start": [start + timedelta(hours=i) for i in range(4)], "l1_w": [1.0, 2.0, 4.0, 8.0]}
    ).with_columns(l2_w=None, pv_w=float("nan"))
    series = home_series(hours, night.site_daily.clear(), "America/Denver")
    assert series.hours.select("hour", "l1_w").rows() == [(0, 1.0), (1, 3.0), (2, 8.0)]
    assert not series.has("pv_w")


def test_each_colour_has_one_dark_partner() -> None:
    assert len(swaps()) == len(PALETTE)
    assert light("l1") != light("l2")


def luminance(colour: str) -> float:
    """Relative luminance of sRGB (WCAG 2.2 definition; from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["ink", "quiet", "l1", "l2", "supports", "against", "expected"])
@pytest.mark.parametrize("side", [0, 1])
def test_text_and_marks_stand_out_from_the_paper(name: str, side: int) -> None:
    needed = 4.5 if name in ("ink", "quiet") else 3.0
    low, high = sorted((luminance(PALETTE[name][side]), luminance(PALETTE["paper"][side])))
    assert (high + 0.05) / (low + 0.05) >= needed
