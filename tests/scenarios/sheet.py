"""Reads a sheet: its visible text in order, its headings, its tags."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Sheet(HTMLParser):
    """A page's text (scripts and styles left out), headings and attributes; `mistakes` where tags don't pair."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.words: list[str] = []
        self.headings: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.mistakes: list[str] = []
        self.feed(html)
        self.close()

    @property
    def text(self) -> str:
        """All visible text, single spaces."""
        return " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)
        if tag in ("h1", "h2"):
            self.headings.append("")

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.mistakes.append(f"</{tag}> closes nothing")
            return
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if {"style", "script"} & set(self.open) or "title" in self.open:
            return
        if {"h1", "h2"} & set(self.open):
            self.headings[-1] += data
        if "svg" not in self.open:
            self.words.append(data)
