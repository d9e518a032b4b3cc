"""Joins the entries of an ESPI feed by their links: a block of readings with its meter, reading type and usage point.

Feeds differ in how they link (Atom rel "self", "up", "related" of NAESB REQ.21): "up" may name the thing above or the
collection that this thing is in; "related" may point down, or across to the reading type. Each of these ways is
followed; what is found twice by different ways is one thing, and two different things are no link at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

import polars as pl

from pipeline.ingest.utility.espi_codes import Meaning, meaning
from pipeline.ingest.utility.espi_feed import Entry

# What the readings of a block (an entry's number) are, or `why` they can't be used.
BLOCK = pl.Schema(
    {
        "entry": pl.Int64(), "usage_point": pl.String(), "usage_point_id": pl.String(), "version": pl.Datetime("us"),
        "flow": pl.String(), "power_of_ten": pl.Int64(), "is_power": pl.Boolean(), "interval_s": pl.Int64(),
        "default_quality": pl.String(), "why": pl.String(),
    }
)  # fmt: skip


def resolve_blocks(entries: Mapping[int, Entry]) -> pl.DataFrame:
    """Return one row a block of readings, with the schema BLOCK, whatever order the entries came in."""
    of_kind = {kind: _merged(entries, kind) for kind in ("UsagePoint", "MeterReading", "ReadingType")}
    points = _Named(of_kind["UsagePoint"], "MeterReading")
    meters = _Named(of_kind["MeterReading"], "IntervalBlock")
    types = _Named(of_kind["ReadingType"], "")
    readings = {link: _of_meter(entry, points, types) for link, entry in of_kind["MeterReading"].items()}
    rows: list[tuple[object, ...]] = []
    for number, entry in entries.items():
        if entry.kind not in ("IntervalBlock", "several"):
            continue
        found = meters.above(entry)
        point: tuple[str | None, str | None] = (None, None)
        if entry.kind == "several":
            what: Meaning | str = "the entry holds things of several kinds"
        elif len(found) != 1:
            many = "more than one meter reading" if found else "no meter reading of the file"
            what = f"the interval block links to {many}"
        else:
            point, what = readings[found.pop()]
        version = _time(entry.said.get("updated")) or _time(entry.said.get("published"))
        if isinstance(what, str):
            rows.append((number, *point, version, None, None, None, None, None, what))
        else:
            says = (what.flow, what.power_of_ten, what.is_power, what.interval_s, what.quality, None)
            rows.append((number, *point, version, *says))
    return pl.DataFrame(rows, schema=BLOCK, orient="row")


class _Named:
    """Things of one kind by what may point at them, `below` being the kind of the collection under each."""

    def __init__(self, things: Mapping[str, Entry], below: str) -> None:
        self.things, self._below = things, below
        self._by_link: dict[str, set[str]] = {}
        for link, entry in things.items():
            for target in (link, f"{link}/{below}", *entry.related):
                self._by_link.setdefault(target, set()).add(link)

    def above(self, entry: Entry) -> set[str]:
        """Return the things that `entry` hangs below, by any of its links."""
        parent = entry.self_link.rpartition(f"/{self._below}/")[0]
        found = {parent} & self.things.keys() if parent else set()
        for target in (*entry.up, entry.self_link):
            found |= self._by_link.get(target, set()) if target else set()
        return found | self.across(entry)

    def across(self, entry: Entry) -> set[str]:
        """Return the things that `entry` names as related."""
        return {target for target in entry.related if target in self.things}


def _of_meter(
    entry: Entry, points: _Named, types: _Named
) -> tuple[tuple[str | None, str | None], Meaning | str]:
    """Return (usage point, its id) of a meter reading and what its values are, or why they can't be used."""
    above = points.above(entry)
    if len(above) != 1:
        many = "more than one usage point" if above else "no usage point of the file"
        return (None, None), f"the meter reading links to {many}"
    link = above.pop()
    said = points.things[link].said
    point = (link, _bare(said.get("id", "")) or None)
    kinds = types.across(entry) | {
        own for own, kind in types.things.items() if entry.self_link in (*kind.related, *kind.up)
    }
    if len(kinds) != 1:
        many = "more than one reading type" if kinds else "no reading type of the file"
        return point, f"the meter reading links to {many}"
    return point, meaning(types.things[kinds.pop()].said, said.get("service", ""))


def _merged(entries: Mapping[int, Entry], kind: str) -> dict[str, Entry]:
    """Return the things of a kind by their own link, or id; what is sent twice is one, with the links of both.

    Where two say other things, both texts stand there, and neither is a code.
    """
    things: dict[str, Entry] = {}
    for entry in entries.values():
        name = entry.self_link or _bare(entry.said.get("id", ""))
        if entry.kind != kind or not name:
            continue
        before = things.get(name)
        if before is None:
            things[name] = entry
            continue
        said = {key: _either(before.said, entry.said, key) for key in (before.said | entry.said)}
        links = [*before.up, *entry.up], [*before.related, *entry.related]
        things[name] = Entry(kind, entry.self_link, *links, said)
    return things


def _either(first: Mapping[str, str], second: Mapping[str, str], key: str) -> str:
    texts: Iterable[str] = dict.fromkeys(said[key] for said in (first, second) if key in said)
    if key in ("id", "updated", "published"):
        return list(texts)[-1]
    return ",".join(texts)


def _bare(atom_id: str) -> str:
    """Return an Atom id without its urn:uuid: and in lower case."""
    return atom_id.casefold().removeprefix("urn:uuid:")


def _time(text: str | None) -> datetime | None:
    """Return an Atom time as naive UTC; None where there is none that can be read."""
    try:
        time = datetime.fromisoformat(text or "")
        return (time if time.tzinfo is None else time.astimezone(UTC)).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return None
