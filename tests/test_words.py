"""The words that people read: none that the trade wouldn't say, on pages, on paper, in commands and in the documents.

Codes in files keep their names; here are the words beside them.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import redirect_stdout
from html import unescape
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands.app import app

ROOT = Path(__file__).parent.parent
# what isn't said: what is said instead
WORDS = {
    r"clamps?(?! meter)(?!-on)": "CT",
    r"by the register|the register says|site register": "site record",
    r"standings?": "status",
    r"needless|wasted visits?": "no-fault-found visit",
    r"its worth|worth \d|most worth": "expected value",
    r"promised?|promises": "predicted",
    r"shrunk|drawn to the fleet": "small-sample adjusted",
    r"told apart|like the fleet": "not significantly different",
    r"funnel's limits|limits of the funnel": "control limits",
    r"on no day|the rest waits": "unscheduled",
    r"at the desk|desk fix(?:es)?|office orders?|office fix(?:es)?": "remote fix",
    r"mirrors the sun|rises? with the sun|moves? with the sun": "tracks PV with the wrong sign",
    r"night levels?": "overnight baseload",
    r"exp\([^)]*\)": "odds in words",
    r"not so:": "what was measured and what is right",
    r"log odds": "odds in words",
}  # fmt: skip
DOCUMENTS = [
    ROOT / "README.md",
    *sorted(ROOT.glob("pipeline/*/README.md")),
    *(ROOT / f"{folder}/README.md" for folder in ("flows", "sql", "sample_lake")),
]


def slips(text: str) -> list[str]:
    """Return what is said otherwise, each with the words around it."""
    plain = " ".join(text.split())
    return [
        f"...{plain[max(0, hit.start() - 40) : hit.end() + 30]}... say {instead}"
        for words, instead in WORDS.items()
        for hit in re.finditer(rf"(?<!\w)(?:{words})(?!\w)", plain, re.IGNORECASE)
    ]


def read_aloud(page: Path) -> str:
    """Return what a page shows, with the titles of its pictures' axes and legends.

    The quality lead's arithmetic, under a fold of its own, is left out: it is in log odds.
    """
    html = page.read_text(encoding="utf-8")
    html = re.sub(r"<summary>For the quality lead.*?</details>", "", html, flags=re.DOTALL)
    titles = re.findall(r'"(?:title|text)":"([^"]*)"', html)
    shown = re.sub(r"<(script|style)\b.*?</\1>|<[^>]+>", " ", html, flags=re.DOTALL)
    return "\n".join([unescape(shown), *titles])


def pages(out: Path) -> Iterator[Path]:
    yield from sorted((out / "latest").resolve().rglob("*.html"))
    yield from sorted(out.glob("orders/**/*.html"))
    yield from sorted(out.glob("dispatch/**/*.html"))
    yield from sorted(out.glob("corrected/report/**/*.html"))


def test_the_search_finds_what_it_should() -> None:
    assert len(slips("The clamp of L1 was told apart by the register; on no day, exp(+0.68)")) == 5
    assert slips("a clamp meter, nightclamp and CTs") == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_documents_say_what_the_trade_says(document: Path) -> None:
    text = re.sub(r"```.*?```|`[^`]*`", "", document.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert slips(text) == []


def test_pages_and_paper_say_what_the_trade_says(sample_out: Path) -> None:
    wrong = {str(path): slips(read_aloud(path)) for path in pages(sample_out)}
    assert {name: found for name, found in wrong.items() if found} == {}
    assert len(wrong) > 30


def test_texts_in_tables_say_what_the_trade_says(sample_out: Path) -> None:
    wrong = []
    for name, columns in {
        "revisit_list": ("evidence", "bring", "also_possible", "desk_change", "desk_proof"),
        "site_scores": ("evidence", "unproven_why", "contradiction", "onset_evidence"),
        "standing": ("cause", "reason", "proof_told"),
        "home_story": ("told",),
        "alarm": ("told", "look"),
    }.items():
        table = pl.read_parquet(sample_out / "latest" / f"{name}.parquet")
        for column in set(columns) & set(table.columns):
            wrong += slips("\n".join(table[column].drop_nulls().unique().to_list()))
    assert wrong == []


@pytest.mark.parametrize("command", ["", *(name for name in app if not name.startswith("-"))])
def test_help_says_what_the_trade_says(command: str) -> None:
    shown = io.StringIO()
    with redirect_stdout(shown), pytest.raises(SystemExit):
        app([*command.split(), "--help"])
    assert slips(shown.getvalue()) == []


def test_stories_of_homes_say_what_the_trade_says(sample_out: Path) -> None:
    scores = pl.read_parquet(sample_out / "latest/site_scores.parquet")
    for site in [*scores.unique("verdict")["site_id"], "H00018", "H00037", "H00030"]:
        shown = io.StringIO()
        with redirect_stdout(shown), pytest.raises(SystemExit):
            app(["explain", site, "--out", str(sample_out)])
        assert shown.getvalue()
        assert slips(shown.getvalue()) == []
