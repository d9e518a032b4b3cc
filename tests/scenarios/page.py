"""Reads a page as a browser would, strictly: every element closed in order, every attribute collected."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path

VOID = {"meta", "link", "input", "br", "hr", "img"}


@dataclass
class Element:
    """One element with its attributes and all text inside it."""

    tag: str
    attributes: dict[str, str]
    text: str = ""


@dataclass
class Page(HTMLParser):
    """All elements of a page in document order; `mistakes` lists what is not well formed."""

    path: Path
    elements: list[Element] = field(default_factory=list)
    open: list[Element] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.feed(self.path.read_text(encoding="utf-8"))
        self.close()
        self.mistakes += [f"<{element.tag}> is never closed" for element in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(names) != len(set(names)):
            self.mistakes.append(f"<{tag}> repeats an attribute: {names}")
        element = Element(tag, {name: value or "" for name, value in attrs})
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1].tag != tag:
            self.mistakes.append(f"</{tag}> at line {self.getpos()[0]} closes nothing")
            return
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for element in self.open:
            element.text += data

    def all(self, tag: str, **attributes: str) -> list[Element]:
        """Return the elements of that tag with those attribute values."""
        return [
            element
            for element in self.elements
            if element.tag == tag and all(element.attributes.get(k) == v for k, v in attributes.items())
        ]
