"""Feeds link in several ways; each is followed, and what leads to two things leads nowhere."""

from datetime import datetime
from itertools import permutations

import polars as pl
import pytest

from pipeline.ingest.utility.espi_feed import Entry
from pipeline.ingest.utility.espi_links import resolve_blocks

POINT = "RetailCustomer/7/UsagePoint/a"
METER, TYPE = f"{POINT}/MeterReading/1", "ReadingType/1"
CODES = {"accumulationBehaviour": "4", "commodity": "1", "flowDirection": "19", "uom": "72"}


def point(link: str = POINT, *related: str, **said: str) -> Entry:
    return Entry("UsagePoint", link, related=list(related), said={"service": "0", **said})


def meter(*up: str, related: tuple[str, ...] = (TYPE,), link: str = METER) -> Entry:
    return Entry("MeterReading", link, up=list(up), related=list(related))


def kind(link: str = TYPE, *related: str, **said: str) -> Entry:
    return Entry("ReadingType", link, related=list(related), said={**CODES, **said})


def block(*up: str, link: str = "", **said: str) -> Entry:
    return Entry("IntervalBlock", link, up=list(up), said=said)


def resolved(*entries: Entry) -> dict[str, object]:
    frame = resolve_blocks(dict(enumerate(entries, start=1)))
    assert frame.height == 1
    return frame.row(0, named=True)


@pytest.mark.parametrize(
    "entries",
    [
        pytest.param((point(), meter(POINT), kind(), block(METER)), id="up to the thing"),
        pytest.param(
            (point(), meter(f"{POINT}/MeterReading"), kind(), block(f"{METER}/IntervalBlock")),
            id="up to the collection",
        ),
        pytest.param(
            (point(), meter(), kind(), block(link=f"{METER}/IntervalBlock/9")), id="by the own links alone"
        ),
        pytest.param(
            (
                point("P", "M"),
                Entry("MeterReading", "M", related=["T", "blocks"]),
                kind("T"),
                block("blocks", link="blocks/1"),
            ),
            id="related down",
        ),
        pytest.param(
            (
                point("P"),
                Entry("MeterReading", "M", related=["P"]),
                kind("T", "M"),
                Entry("IntervalBlock", "B", related=["M"]),
            ),
            id="related up",
        ),
    ],
)
def test_every_way_of_linking_is_followed_in_every_order(entries: tuple[Entry, ...]) -> None:
    for mixed in permutations(entries):
        row = resolved(*mixed)
        assert (row["why"], row["flow"]) == (None, "export_wh")
        assert row["usage_point"] in (POINT, "P")


@pytest.mark.parametrize(
    ("entries", "why"),
    [
        ((point(), kind(), block(METER)), "the interval block links to no meter reading of the file"),
        ((point(), meter(POINT), block(METER)), "the meter reading links to no reading type of the file"),
        ((meter(), kind(), block(METER)), "the meter reading links to no usage point of the file"),
        (
            (
                point(),
                meter(POINT, related=(TYPE, "ReadingType/2")),
                kind(),
                kind("ReadingType/2"),
                block(METER),
            ),
            "the meter reading links to more than one reading type",
        ),
        (
            (point(), point("other"), meter(POINT, "other"), kind(), block(METER)),
            "the meter reading links to more than one usage point",
        ),
        (
            (
                point(),
                meter(POINT, related=(TYPE, "blocks")),
                meter(POINT, related=(TYPE, "blocks"), link=f"{POINT}/MeterReading/2"),
                kind(),
                block("blocks"),
            ),
            "the interval block links to more than one meter reading",
        ),
        ((point(service="1"), meter(POINT), kind(), block(METER)), "commodity 1 is electricity, but"),
        ((point(), meter(POINT), kind(), kind(uom="38"), block(METER)), "uom 72,38 is not 72 (Wh)"),
    ],
)
def test_a_link_that_leads_nowhere_or_twice_is_a_reason(entries: tuple[Entry, ...], why: str) -> None:
    row = resolved(*entries)
    assert str(row["why"]).startswith(why)
    assert row["flow"] is None


def test_an_entry_sent_twice_is_one_thing() -> None:
    row = resolved(point(), point(), meter(POINT), meter(POINT), kind(), kind(), block(METER))
    assert row["why"] is None


def test_the_id_of_a_usage_point_goes_without_its_scheme() -> None:
    row = resolved(point(id="urn:uuid:AB-12"), meter(POINT), kind(), block(METER))
    assert (row["usage_point"], row["usage_point_id"]) == (POINT, "ab-12")


@pytest.mark.parametrize(
    ("said", "version"),
    [
        ({"updated": "2025-06-02T01:00:00+01:00", "published": "2020-01-01T00:00:00Z"}, datetime(2025, 6, 2)),
        ({"published": "2025-06-02T00:00:00Z"}, datetime(2025, 6, 2)),
        ({"updated": "soon"}, None),
        ({}, None),
    ],
)
def test_a_block_was_published_when_it_was_last_updated(
    said: dict[str, str], version: datetime | None
) -> None:
    assert resolved(point(), meter(POINT), kind(), block(METER, **said))["version"] == version


def test_no_blocks_are_no_rows() -> None:
    assert isinstance(resolve_blocks({1: point()}), pl.DataFrame)
    assert resolve_blocks({1: point()}).is_empty()
