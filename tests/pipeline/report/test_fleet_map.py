"""The flat map keeps every home inside, north up, and a scale bar as long as it says."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.report.fleet_map import WIDTH, flat_map


def homes(*places: tuple[float, float]) -> pl.DataFrame:
    return pl.DataFrame(places, schema={"latitude": pl.Float64, "longitude": pl.Float64}, orient="row")


WIDE = homes((40.0, -105.0), (40.1, -104.0), (40.05, -104.5))
TALL = homes((30.0, 10.0), (45.0, 10.2))


@pytest.mark.parametrize("fleet", [WIDE, TALL, homes((40.0, 7.0)), homes((89.9, 7.0), (-89.9, 9.0))])
def test_all_homes_lie_inside(fleet: pl.DataFrame) -> None:
    flat = flat_map(fleet)
    placed = flat.placed(fleet)
    assert placed["x"].is_between(0, WIDTH).all()
    assert placed["y"].is_between(0, flat.height).all()


def test_north_is_up_and_east_is_right() -> None:
    placed = flat_map(WIDE).placed(WIDE)
    assert placed["x"].arg_max() == placed["longitude"].arg_max()
    assert placed["y"].arg_min() == placed["latitude"].arg_max()


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    """One degree of longitude at 40 degrees north is 85.2 km."""
    flat = flat_map(WIDE)
    placed = flat.placed(WIDE)
    assert (placed["x"].max() - placed["x"].min()) * flat.km_a_unit == pytest.approx(85.2, rel=0.01)
    assert flat.bar_km() == 20
    assert flat.bar_km() / flat.km_a_unit <= WIDTH / 4
