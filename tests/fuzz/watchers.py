"""What must hold whatever comes in: nothing run, nothing written elsewhere, no mark-up from texts, no formula."""

from __future__ import annotations

import base64
import csv
import hashlib
import json
import os
import re
import sys
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hostile_words import CANARY, TAG
from kernel_days import DENVER, day_of, register
from lakes import DAY, rows

from pipeline.scoring.design import columns
from pipeline.scoring.model_file import load_model

_RUNS = {
    "os.system",
    "subprocess.Popen",
    "os.exec",
    "os.posix_spawn",
    "os.spawn",
    "pickle.find_class",
    "socket.connect",
    "socket.getaddrinfo",
}
_watched: dict[str, Path | None] = {"folder": None}
_seen: list[str] = []


def _hook(event: str, args: tuple[object, ...]) -> None:
    folder = _watched["folder"]
    if folder is None:
        return
    if event in _RUNS and not _is_importing():
        _seen.append(f"{event} {args!r:.200}")
    elif event == "open" and isinstance(args[0], str | bytes) and isinstance(args[2], int):
        path = Path(os.path.abspath(os.fsdecode(args[0])))
        if (
            args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)
            and folder not in path.parents
            and path != Path("/dev/null")
        ):
            _seen.append(f"written outside: {path}")


def _is_importing() -> bool:
    """Whether a package is being imported: what it does then is not the input's doing."""
    frame = sys._getframe(1)
    while frame := frame.f_back:
        if frame.f_code.co_filename == "<frozen importlib._bootstrap>":
            return True
    return False


@cache
def _compile() -> None:
    """Have the day's code compiled or fetched, as a first night does: it keeps what it compiled beside the source."""
    load_model().log_odds(np.zeros((1, len(columns()[0]))))
    with TemporaryDirectory() as folder:
        day_of(rows("a"), register(DENVER), Path(folder), DAY)


sys.addaudithook(_hook)
unraised: list[str] = []  # tracebacks that Python would have printed by itself
sys.unraisablehook = lambda told: unraised.append(f"{told.err_msg}: {told.object!r}: {told.exc_value!r}")


@contextmanager
def nothing_run_or_written_outside(folder: Path) -> Iterator[None]:
    """Hold that Python runs no program, opens no connection and writes only in `folder`, and no canary appears."""
    _compile()
    _seen.clear()
    _watched["folder"] = Path(os.path.abspath(folder))
    try:
        yield
    finally:
        _watched["folder"] = None
    assert not _seen, _seen
    assert not [place for place in (Path.cwd(), folder) if (place / CANARY).exists()]


def tree(folder: Path, without: Path) -> dict[str, tuple[int, int]]:
    """Every path in `folder` but those in `without`, with size and time."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path != without and without not in path.parents:
            stat = path.lstat()
            found[str(path)] = (
                stat.st_size if path.is_file() else 0,
                stat.st_mtime_ns if path.is_file() else 0,
            )
    return found


_OURS = set(
    """
    html head meta title link style body main header nav footer section article h1 h2 h3 h4 p ul ol li a
    b i em q strong span bdi div table caption thead tbody tfoot tr th td figure figcaption details summary
    dl dt dd label input select option optgroup button output script noscript br hr small code svg g path
    rect circle line text tspan defs clippath use polyline polygon lineargradient stop data time abbr
    sub sup form fieldset legend textarea template desc image colgroup col
    """.split()
)


class Page(HTMLParser):
    """Reads a page as a browser does and holds that every element and attribute is one of ours."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.text: list[str] = []
        self._policy = ""
        self._script: list[str] | None = None
        self._is_json = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag in _OURS, tag
        for name, value in attrs:
            assert TAG not in name, name
            assert not name.startswith("on"), name
            if name in ("href", "src", "action", "xlink:href"):
                assert re.match(r"(?!\s*[a-z][a-z0-9+.-]*:)", value or "", re.IGNORECASE) or (
                    value or ""
                ).startswith("data:image/"), value
        given = dict(attrs)
        if given.get("http-equiv") == "Content-Security-Policy":
            self._policy = given.get("content") or ""
        if tag == "script" and not given.get("src"):
            self._script, self._is_json = [], given.get("type") == "application/json"

    def handle_endtag(self, tag: str) -> None:
        if tag != "script" or self._script is None:
            return
        script, self._script = "".join(self._script), None
        if self._is_json:
            json.loads(script)
        else:  # only the very script that the page's policy names by its digest
            digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in self._policy, script

    def handle_comment(self, data: str) -> None:
        raise AssertionError(f"comment {data!r}")

    def handle_data(self, data: str) -> None:
        if self._script is not None:
            self._script.append(data)
        self.text.append(data)


def page_text(path: Path) -> str:
    """The page's text; an AssertionError if anything in it is not ours."""
    page = Page()
    page.feed(path.read_bytes().decode("utf-8"))
    page.close()
    return "".join(page.text)


def runs_as_formula(cell: str) -> bool:
    """Whether some spreadsheet runs the cell: blanks, controls and unseen marks dropped, full width made plain."""
    seen = "".join(sign for sign in cell if unicodedata.category(sign) not in ("Cc", "Cf", "Zs", "Zl", "Zp"))
    wide = unicodedata.decomposition(seen[:1] or " ").partition(" ")
    first = chr(int(wide[2], 16)) if wide[0] in ("<wide>", "<small>") and " " not in wide[2] else seen[:1]
    return first in tuple("=+-@") and not re.fullmatch(r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?", seen)


def no_formula(path: Path) -> None:
    """Hold that no cell of a CSV file runs, by commas or, as in other countries, by semicolons."""
    csv.field_size_limit(2**31 - 1)
    with path.open(newline="", encoding="utf-8") as text:
        for row in csv.reader(text):
            for cell in row:
                for part in re.split(r"[;\t\r\n]", cell):
                    assert not runs_as_formula(part), (path.name, cell)
