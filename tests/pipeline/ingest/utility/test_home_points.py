"""Which home a usage point is."""

import polars as pl

from pipeline.ingest.utility.home_points import homes_of_points

HOMES = pl.Series(["a", "b"])


def found(points: list[tuple[str | None, str | None]], *meters: tuple[str, str, str | None]) -> list[tuple]:
    schema = {"usage_point": pl.String, "usage_point_id": pl.String}
    register = pl.DataFrame(
        list(meters), schema={"usage_point": pl.String, "site_id": pl.String, "kind": pl.String}, orient="row"
    )
    frame = homes_of_points(pl.DataFrame(points, schema=schema, orient="row"), register, HOMES)
    return frame.select("site_id", "kind", "why").rows()


def test_meters_names_it_by_id_by_link_or_by_the_link_s_end() -> None:
    point = ("RetailCustomer/7/UsagePoint/01", "ab-12")
    for name in ("urn:uuid:AB-12", "ab-12", "RetailCustomer/7/UsagePoint/01", "01"):
        assert found([point], (name, "b", "net")) == [("b", "net", None)]


def test_a_usage_point_called_like_a_home_is_that_home_s() -> None:
    assert found([("x/UsagePoint/a", None), ("b", None)]) == [("a", None, None), ("b", None, None)]


def test_a_plain_name_is_taken_whole() -> None:
    assert found([("street/a", None)])[0][0] is None


def test_the_register_goes_before_the_name() -> None:
    assert found([("a", None)], ("a", "b", "import")) == [("b", "import", None)]


def test_the_id_goes_before_the_link() -> None:
    point = ("UsagePoint/01", "ab-12")
    assert found([point], ("01", "a", None), ("ab-12", "b", None)) == [("b", None, None)]


def test_a_stranger_has_a_reason() -> None:
    why = "unknown home: usage point 'x/9' is in no row of meters and is no site_id"
    assert found([("x/9", "q")]) == [(None, None, why)]
    assert found([(None, None)]) == [(None, None, "no usage point is known")]


def test_two_meters_that_end_alike_are_nobody_s_by_that_end() -> None:
    points = [("c1/UsagePoint/01", None), ("c2/UsagePoint/01", None)]
    why = "several in the files end alike"
    assert [why in str(row[2]) for row in found(points, ("01", "a", None))] == [True, True]
    named = found(points, ("01", "a", None), ("c2/UsagePoint/01", "b", None))
    assert [row[0] for row in named] == ["a", "b"]
