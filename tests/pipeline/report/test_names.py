"""File names of homes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.names import crew_anchor, page_name


@given(st.text())
def test_names_are_plain_and_short(site_id: str) -> None:
    name = page_name(site_id)
    assert name.isascii()
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-.")
    assert name.count(".") == 1
    assert len(name) <= 63


def test_ids_that_read_alike_keep_pages_of_their_own() -> None:
    alike = ["a/b", "a-b", "A-B", "a b", "../a/b", "a.b"]
    assert len({page_name(site_id) for site_id in alike}) == len(alike)


def test_the_readable_part_comes_first() -> None:
    assert page_name("../../MH 20417").startswith("mh-20417-")
    assert page_name("家").startswith("home-")


def test_a_crew_has_a_place_by_the_same_rule() -> None:
    assert crew_anchor("C 01") == "crew-" + page_name("C 01").removesuffix(".html")
    assert crew_anchor("C 01") != crew_anchor("c-01")
