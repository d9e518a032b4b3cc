"""The house rules that a reader should be able to rely on, each as a check over the files themselves."""

from __future__ import annotations

import ast
import importlib
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import pipeline.faults
from pipeline import classifier, runcard
from pipeline.contract import SOUND
from pipeline.evidence import all_pieces, weigh
from pipeline.fault import Fault
from pipeline.faults import CATALOGUE, discover
from pipeline.scoring import score
from pipeline.settings import load_settings
from pipeline.learning.labelled import Labelled

ROOT = Path(__file__).parent.parent
ROOMS = sorted((ROOT / "pipeline").rglob("*.py"))
SQL = sorted(path for path in (ROOT / "sql").glob("*.sql") if path.stem != "macros")
LONGEST = 300

# From the ground up: a room imports from layers below its own only. A package is one room.
LAYERS = (
    {"printable", "setting_sections", "whole", "ahead", "digits"},
    {"errors", "pages", "options", "shards"},
    {"toml_text", "object_url"},
    {"object_client", "shelf"},
    {"object_store"},
    {
        "settings",
        "contract",
        "alarm",
        "circuit",
        "delimited",
        "sun",
        "match",
        "misread",
        "base_rate",
        "fix_words",
    },
    {
        "foreign",
        "model_file",
        "newest_day",
        "wiring",
        "mapping",
        "warehouse",
        "likely",
        "nearby",
        "planned",
        "verdict",
        "bucket_shelf",
        "bucket_lock",
        "bucket_index",
        "bucket_copy",
        "watched",
        "sources",
    },
    {"lake", "clock", "fault", "last_visit", "at_once"},
    {"conform", "faults", "sound", "fix_proof"},
    {"standing_words", "chance", "worth", "promise", "scored_before"},
    {"registers", "staging", "evidence", "classifier", "daystats", "simulate", "injection", "families"},
    {"tidy", "bench_pandas", "two_levels", "ranks"},
    {"telling", "merged", "reject_file"},
    {"ingest", "store", "features", "onset", "scoring", "tempering", "adapting", "model_choice"},
    {"window", "check", "standing", "revisit", "publish", "own_fleet", "site_weight"},
    {"day_shards", "bench_fleet", "quality", "bucket_out"},
    {"day_states", "bucket_hold"},
    {"refresh", "out_place"},
    {"home_shards", "rejects"},
    {"home_story", "visit_doubt", "decision_curve", "hit_rate"},
    {"training", "report", "plan", "memory"},
    {"runcard", "changes", "story", "measured", "visited", "contest", "workorder", "judgement"},
    {"since_before"},
    {"lookout"},
    {"night_tables"},
    {"night", "explain", "bench", "own_lessons", "proof", "dispatch"},
    {"screen", "own_training"},
    {"workshop", "rehearsal", "fairness"},
    {"cli"},
)
LAYER = {room: height for height, rooms in enumerate(LAYERS) for room in rooms}
# The simulator sits beside the night: what it may stand on, and who may use it.
SIMULATOR_STANDS_ON = {"circuit", "wiring", "fault", "faults", "contract", "errors"}
SIMULATOR_SERVES = {"training", "bench", "workshop", "rehearsal", "fairness"}
SQL_IN_TEXT = re.compile(
    r"\bselect\b.+\bfrom\b|\binsert\s+into\b|\bcreate\b.+\b(table|view)\b.+\bas\b", re.IGNORECASE | re.DOTALL
)


def room_of(path: Path) -> str:
    return path.relative_to(ROOT / "pipeline").parts[0].removesuffix(".py")


def imported(path: Path) -> Iterator[str]:
    """Full names of the modules that a file imports, wherever in it."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{name.name}" for name in node.names)


def rooms_used(path: Path) -> set[str]:
    used = {name.split(".")[1] for name in imported(path) if name.startswith("pipeline.")}
    return {room for room in used if room in LAYER} - {room_of(path)}


def texts(path: Path) -> Iterator[str]:
    """Every string of a file that is not a docstring; of an f-string its fixed parts in one."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = list(ast.walk(tree))
    told = {
        id(node.value)
        for node in nodes
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    for node in nodes:
        if isinstance(node, ast.JoinedStr):
            yield " ".join(str(part.value) for part in node.values if isinstance(part, ast.Constant))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in told:
            yield node.value


def name_of(path: Path) -> str:
    return str(path.relative_to(ROOT))


def test_every_room_has_a_layer() -> None:
    assert {room_of(path) for path in ROOMS} - {"__init__"} - set(LAYER) == set()
    assert {room for room in LAYER if not list((ROOT / "pipeline").glob(f"{room}*"))} == set()


@pytest.mark.parametrize("path", [path for path in ROOMS if room_of(path) != "__init__"], ids=name_of)
def test_imports_point_one_way(path: Path) -> None:
    upwards = {room for room in rooms_used(path) if LAYER[room] >= LAYER[room_of(path)]}
    assert upwards == set()


def test_the_simulator_sits_beside_the_night() -> None:
    stands_on = {room for path in ROOMS if room_of(path) == "simulate" for room in rooms_used(path)}
    serves = {room_of(path) for path in ROOMS if "simulate" in rooms_used(path)}
    assert stands_on <= SIMULATOR_STANDS_ON
    assert serves <= SIMULATOR_SERVES


def test_one_fault_knows_of_no_other() -> None:
    for path in (ROOT / "pipeline" / "faults").glob("*.py"):
        assert [name for name in imported(path) if name.startswith("pipeline.faults")] == []


def test_the_pipeline_runs_without_prefect() -> None:
    tops = {name.split(".")[0] for path in ROOMS for name in imported(path)}
    assert tops & {"prefect", "flows"} == set()


def test_sql_lives_in_sql() -> None:
    assert [(name_of(path), text) for path in ROOMS for text in texts(path) if SQL_IN_TEXT.search(text)] == []


@pytest.mark.parametrize(
    "text",
    [
        "SELECT a\nFROM b",
        "insert into t values (1)",
        "CREATE OR REPLACE TABLE t AS FROM x",
        "create view v as select 1",
    ],
)
def test_sql_in_a_string_would_be_noticed(text: str, tmp_path: Path) -> None:
    room = f'"""Select one from many: a docstring."""\nQUERY = f"""{text} {{1}}"""\n'
    (tmp_path / "room.py").write_text(room)
    assert any(SQL_IN_TEXT.search(found) for found in texts(tmp_path / "room.py"))


def test_no_file_is_too_long() -> None:
    folders = ("pipeline", "flows", "tests", "sql")
    files = [path for folder in folders for path in (ROOT / folder).rglob("*.*")]
    lengths = {
        name_of(path): len(path.read_text(encoding="utf-8").splitlines())
        for path in files
        if path.suffix in (".py", ".sql", ".yaml", ".toml")
    }
    assert {name: length for name, length in lengths.items() if length > LONGEST} == {}


def test_only_the_command_line_prints() -> None:
    printing = {
        room_of(path)
        for path in ROOMS
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    }
    assert printing <= {"cli", "workshop"}


def test_every_query_is_used() -> None:
    files = [*ROOMS, *(ROOT / "tests").rglob("*.py")]
    named = {text for path in files for text in texts(path)}
    assert [path.name for path in SQL if path.stem not in named] == []


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_fault_room_tells_its_whole_story(name: str) -> None:
    fault = CATALOGUE[name]
    told = importlib.import_module(f"pipeline.faults.{name}").__doc__ or ""

    assert "On site" in told
    assert "data" in told
    assert len(told.splitlines()) >= 4
    assert fault.pieces
    assert all(piece.by_leg and piece.label and piece.sentence for piece in fault.pieces)
    assert fault.remedy.action.endswith(".")
    assert fault.remedy.fix_by in ("office", "visit")
    assert set(fault.wrong_kwh_day) >= set(fault.legs)


ROOM = '''"""A clamp hums. On site: it can be heard. The data: the nights of leg 1 read exactly 77 W."""

from dataclasses import replace

import polars as pl

from pipeline.fault import Piece
from pipeline.faults.dead import FAULT as DEAD

HUMS = (pl.col("night_l1_w") == 77).cast(pl.Float64)
HUM = Piece("hum_night", "Hums all night", ("night_l1_w",), {"l1": HUMS}, "nights of {night_l1_w:.0f} W")
FAULT = replace(DEAD, name="humming", legs=("l1",), story="A clamp hums.", pieces=(HUM,))
'''


@pytest.fixture
def with_humming(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Fault]]:
    """The catalogue as it is once one file more lies in the folder of faults."""
    (tmp_path / "humming.py").write_text(ROOM, encoding="utf-8")
    monkeypatch.setattr(pipeline.faults, "__path__", [*pipeline.faults.__path__, str(tmp_path)])
    found = discover("pipeline.faults", list(pipeline.faults.__path__))
    monkeypatch.setattr(runcard, "CATALOGUE", found)
    yield dict(found)
    del sys.modules["pipeline.faults.humming"]
    del pipeline.faults.humming  # type: ignore[attr-defined]


def test_a_new_fault_edits_nothing_else(with_humming: dict[str, Fault], fleet: Labelled) -> None:
    """One file: found, weighed, learned, scored with its sentence, and on the cards for people."""
    owners = [owner for owner, _ in all_pieces(with_humming)]
    labels = np.array([*(["humming", SOUND] * 12), *CATALOGUE, *CATALOGUE])
    nights = np.where(labels == "humming", 77.0, 150.0)
    homes = pl.concat([fleet.signals[:1]] * labels.size).with_columns(
        site_id=pl.format("home {}", pl.int_range(pl.len())), night_l1_w=pl.Series(nights)
    )
    weighed = weigh(homes, with_humming)
    is_other = np.isin(labels, list(CATALOGUE))[:, None] & (labels[:, None] == np.array(owners)[None, :])
    values = np.where(is_other, 1.0, weighed.values)
    model = classifier.fit(values, labels, np.ones(labels.size), weighed.names, 1.0, {})
    sites = homes.select("site_id", area=pl.lit("north"), crew_id=pl.lit("c1"), service=pl.lit("120/240"))

    usual = load_settings()
    many = usual.model_copy(update={"verdict": usual.verdict.model_copy(update={"base_rate": 0.9})})
    scored = score(homes, sites, model, with_humming, many).scores

    assert list(with_humming) == [*CATALOGUE, "humming"]
    assert "humming" in owners
    assert scored["suspected_fault"][0] == "humming"
    assert scored["leg"][0] == "l1"
    assert "nights of 77 W" in scored["evidence"][0]
    assert scored["suspected_fault"][1] != "humming"
    assert runcard.fault_cards()["humming"].story == "A clamp hums."
