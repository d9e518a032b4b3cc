"""Reads an ESPI feed as it streams by: entries' links and codes in memory, readings in pieces, all else unread.

The parser calls back for each element, so that no tree grows; an element that is not on the way to one of ours is
passed over with all that is in it, so that customers' names, addresses and accounts are never held. A document type,
an entity or an external reference ends the reading (defusedxml).
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree.ElementTree import ParseError

import polars as pl
from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import DefusedXMLParser

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.utility.espi_codes import FIELDS

_ATOM, _ESPI = "http://www.w3.org/2005/Atom", "http://naesb.org/espi"
KINDS = ("UsagePoint", "MeterReading", "ReadingType", "IntervalBlock")
# Parent -> elements of it that are looked into.
_ATOM_TREE = {"": ("feed",), "feed": ("entry",), "entry": ("id", "link", "content", "published", "updated")}
_ESPI_TREE = {
    "content": KINDS,
    "UsagePoint": ("ServiceCategory",),
    "ServiceCategory": ("kind",),
    "ReadingType": FIELDS,
    "IntervalBlock": ("IntervalReading",),
    "IntervalReading": ("timePeriod", "value", "ReadingQuality"),
    "timePeriod": ("start", "duration"),
    "ReadingQuality": ("quality",),
}
_OF_READING = ("IntervalReading", "timePeriod", "ReadingQuality")
_TEXTS = {"id", "published", "updated", *FIELDS, "value", "start", "duration", "quality"}


@dataclass(slots=True, eq=False)
class _Element:
    """An element that is looked into, with those inside by their full names; `name` is what its text is kept under."""

    name: str
    holds_text: bool = False
    is_of_reading: bool = False
    inside: dict[str, _Element] = field(default_factory=dict)


def _tree(parent: str = "") -> dict[str, _Element]:
    """Return the elements inside `parent` by their full names."""
    found = {}
    for space, tree in ((_ATOM, _ATOM_TREE), (_ESPI, _ESPI_TREE)):
        for name in tree.get(parent, ()):
            kept = "service" if parent == "ServiceCategory" else name
            inside = {} if name in _TEXTS else _tree(name)
            found[f"{{{space}}}{name}"] = _Element(kept, name in _TEXTS, parent in _OF_READING, inside)
    return found


_UNREAD = _Element("")
_DOCUMENT = _Element("", inside=_tree())
READING = pl.Schema(
    {
        "source_row": pl.Int64, "entry": pl.Int64, "start": pl.String, "duration": pl.String, "value": pl.String,
        "quality": pl.String,
    }
)  # fmt: skip
# Bounds of what one file may make this hold.
_PIECE_ROWS = 100_000
_LONGEST_TEXT, _LONGEST_LINK, _DEEPEST, _MOST_LINKS = 200, 1000, 100, 100
_MOST_UNPACKED, _MOST_TIMES = 2**30, 200
_CHUNK = 2**18


@dataclass(slots=True)
class Entry:
    """An Atom entry: its `kind` (of KINDS), what it says of itself, and `said`, codes by the name of their element.

    The links' targets are without scheme, server and slashes at the ends. Of an element that stands twice in one place
    both texts are kept, with a comma: no code and no number has one.
    """

    kind: str = ""
    self_link: str = ""
    up: list[str] = field(default_factory=list)
    related: list[str] = field(default_factory=list)
    said: dict[str, str] = field(default_factory=dict)


class FeedReader:
    """The parser's target. `entries` are those of KINDS, by number; `take` gets readings as frames of READING."""

    def __init__(self, take: Callable[[pl.DataFrame], None]) -> None:
        """Begin before the root element."""
        self.entries: dict[int, Entry] = {}
        self.readings = 0
        self._take = take
        self._entry, self._entry_no, self._last_of = Entry(), 0, 0
        self._reading: dict[str, str] = {}
        self._piece: list[tuple[int, int, str | None, str | None, str | None, str | None]] = []
        self._path = [_DOCUMENT]
        self._text: list[str] | None = None
        self._length = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Enter an element."""
        element = self._path[-1].inside.get(tag, _UNREAD)
        self._path.append(element)
        if element.holds_text:
            self._text, self._length = [], 0
            return
        self._text = None
        name = element.name
        if element is _UNREAD:
            self._check_place()
        elif name == "IntervalReading":
            self._reading = {}
        elif name == "entry":
            self._entry, self._entry_no = Entry(), self._entry_no + 1
        elif name == "link":
            self._add_link(attributes)
        elif name in KINDS:
            self._entry.kind = name if self._entry.kind in ("", name) else "several"

    def data(self, text: str) -> None:
        """Take text of an element that is read."""
        if self._text is not None and self._length <= _LONGEST_TEXT:
            self._text.append(text[: _LONGEST_TEXT + 1])
            self._length += len(text)

    def end(self, tag: str) -> None:
        """Leave an element."""
        element = self._path.pop()
        if element.holds_text:
            # A text broken by an element is no text of the standard's.
            text = " ".join("".join(self._text).split()) if self._text is not None else "?"
            said, name = self._reading if element.is_of_reading else self._entry.said, element.name
            said[name] = f"{said[name]},{text}" if name in said else text
        elif element.name == "IntervalReading":
            self._add_reading()
        elif element.name == "entry" and self._entry.kind and not self._is_empty_block():
            self.entries[self._entry_no] = self._entry
        self._text = None

    def close(self) -> None:
        """Hand over the last readings."""
        if self._piece:
            self._take(pl.DataFrame(self._piece, schema=READING, orient="row"))
            self._piece = []

    def _check_place(self) -> None:
        depth = len(self._path) - 1
        if depth == 1:
            raise UnusableFileError("is no ESPI feed: its root element is not feed of Atom")
        if depth > _DEEPEST:
            raise UnusableFileError(f"nests elements more than {_DEEPEST} deep")

    def _add_link(self, attributes: dict[str, str]) -> None:
        entry, target = self._entry, _target(attributes.get("href", ""))
        rel = attributes.get("rel", "").strip()
        if not target or len(entry.up) + len(entry.related) > _MOST_LINKS:
            return
        if rel == "self":
            entry.self_link = target
        elif rel == "up":
            entry.up.append(target)
        elif rel == "related":
            entry.related.append(target)

    def _is_empty_block(self) -> bool:
        return self._entry.kind == "IntervalBlock" and self._last_of != self._entry_no

    def _add_reading(self) -> None:
        self.readings += 1
        self._last_of = self._entry_no
        said = self._reading.get
        self._piece.append(
            (self.readings, self._entry_no, said("start"), said("duration"), said("value"), said("quality"))
        )
        if len(self._piece) == _PIECE_ROWS:
            self.close()


def read_feed(path: Path, take: Callable[[pl.DataFrame], None]) -> dict[int, Entry]:
    """Return the entries of the feed in `path` (XML, or gzipped), by number; `take` gets its readings in pieces.

    Raises
    ------
    UnusableFileError
        Not well-formed, truncated, no ESPI feed, with a document type or entities, or unpacking to too much.
    """
    reader = FeedReader(take)
    parser = DefusedXMLParser(target=reader, forbid_dtd=True, forbid_entities=True, forbid_external=True)
    most = max(_MOST_UNPACKED, _MOST_TIMES * path.stat().st_size)
    unpacked = 0
    try:
        with gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb") as raw:
            while piece := raw.read(_CHUNK):
                unpacked += len(piece)
                if unpacked > most:
                    raise UnusableFileError(f"unpacks to more than {most} bytes")
                parser.feed(piece)
        parser.close()
    except DefusedXmlException as error:
        raise UnusableFileError(
            "has a document type or entities, which ESPI has not; it is not read"
        ) from error
    except (ParseError, OSError, EOFError, ValueError, LookupError, zlib.error) as error:
        message = " ".join(str(error).split())[:200]
        raise UnusableFileError(f"cannot be read as XML ({message}); send it again, whole") from error
    return reader.entries


def _target(href: str) -> str:
    """Return what a link points at, without scheme and server: feeds write both kinds for one thing."""
    text = href.strip()
    if len(text) > _LONGEST_LINK:
        return ""
    if "://" in text:
        text = text.partition("://")[2].partition("/")[2]
    return text.strip("/")
