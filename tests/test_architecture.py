"""The house rules that a reader should be able to rely on, each as a check over the files themselves."""

from __future__ import annotations

import ast
import importlib
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import polars as pl
import pytest
from scored_homes import homes, night_scored, register, varied
from threadpoolctl import threadpool_limits

import pipeline.faults.catalogue
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE, discover
from pipeline.faults.types import Fault
from pipeline.learning.labelled import Labelled
from pipeline.learning.training import Fleet, fit_model
from pipeline.probes.measured import measure
from pipeline.report import fault_cards

ROOT = Path(__file__).parent.parent
ROOMS = sorted((ROOT / "pipeline").rglob("*.py"))
SQL = sorted(path for path in (ROOT / "sql").glob("*.sql") if path.stem != "macros")
LONGEST = 300

# In the order of the data: a package imports from those before it only.
PACKAGES = (
    "core", "storage", "ingest", "features", "probes", "faults", "scoring", "worklist", "crews", "report", "workorder",
    "dispatch", "correction", "simulate", "learning", "nightly", "evaluation", "commands",
)  # fmt: skip
# The simulator invents homes; it knows nothing of how they are found out.
SIMULATOR_STANDS_ON = {"core", "faults"}
SIMULATOR_SERVES = {"learning", "evaluation", "commands"}
SQL_IN_TEXT = re.compile(
    r"\bselect\b.+\bfrom\b|\binsert\s+into\b|\bcreate\b.+\b(table|view)\b.+\bas\b", re.IGNORECASE | re.DOTALL
)


def package_of(path: Path) -> str:
    return path.relative_to(ROOT / "pipeline").parts[0]


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """All of a file, read once for all rules."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def imported(path: Path) -> Iterator[str]:
    """Full names of the modules that a file imports, wherever in it."""
    for node in nodes_of(path):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{name.name}" for name in node.names)


def packages_used(path: Path) -> set[str]:
    used = {name.split(".")[1] for name in imported(path) if name.startswith("pipeline.")}
    return (used & set(PACKAGES)) - {package_of(path)}


def modules_used() -> dict[str, set[str]]:
    """Return which modules of pipeline/ and flows/ each of them imports when it is loaded, by full names."""
    names = {module_name(path): path for path in [*ROOMS, *(ROOT / "flows").glob("*.py")]}
    used = {name: set(imported(path)) & set(names) - {name} for name, path in names.items()}
    # "from package import module" is of the module; the package's door is loaded before either
    return {
        name: {one for one in found if not any(other.startswith(f"{one}.") for other in found)}
        for name, found in used.items()
    }


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def texts(path: Path) -> Iterator[str]:
    """Every string of a file that is not a docstring; of an f-string its fixed parts in one."""
    nodes = nodes_of(path)
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


def test_nothing_lies_flat_and_every_package_has_its_place() -> None:
    assert [path.name for path in (ROOT / "pipeline").glob("*.py")] == ["__init__.py"]
    folders = {path.parent.name for path in (ROOT / "pipeline").glob("*/__init__.py")}
    assert folders == set(PACKAGES)


def test_imports_point_one_way() -> None:
    wrong = {}
    for path in ROOMS:
        if path.parent.name != "pipeline":
            here = PACKAGES.index(package_of(path))
            wrong[name_of(path)] = [used for used in packages_used(path) if PACKAGES.index(used) >= here]
    assert wrong
    assert {name: used for name, used in wrong.items() if used} == {}


def test_no_two_modules_need_each_other() -> None:
    """Neither inside a package nor between the flows."""
    left = modules_used()
    while ready := {name for name, used in left.items() if not used & set(left)}:
        left = {name: used for name, used in left.items() if name not in ready}
    assert sorted(left) == []


def test_the_simulator_sits_beside_the_night() -> None:
    stands_on = {used for path in ROOMS if "simulate" in path.parts for used in packages_used(path)}
    serves = {
        package_of(path)
        for path in ROOMS
        if path.parts[-2] != "pipeline" and "simulate" in packages_used(path)
    }
    assert stands_on <= SIMULATOR_STANDS_ON
    assert serves <= SIMULATOR_SERVES


def test_one_fault_knows_of_no_other() -> None:
    for path in (ROOT / "pipeline" / "faults" / "catalogue").glob("*.py"):
        assert [name for name in imported(path) if name.startswith("pipeline.faults.catalogue")] == []


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
        and path.name != "settings.toml"  # a list of numbers
    }
    assert {name: length for name, length in lengths.items() if length > LONGEST} == {}


def test_only_the_command_line_prints() -> None:
    printing = {
        package_of(path)
        for path in ROOMS
        for node in nodes_of(path)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    }
    assert printing <= {"commands"}


def test_every_query_is_used() -> None:
    files = [*ROOMS, *(ROOT / "tests").rglob("*.py")]
    named = {text for path in files for text in texts(path)}
    assert [path.name for path in SQL if path.stem not in named] == []


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_fault_room_tells_its_whole_story(name: str) -> None:
    fault = CATALOGUE[name]
    told = importlib.import_module(f"pipeline.faults.catalogue.{name}").__doc__ or ""

    assert "On site" in told
    assert "data" in told
    assert len(told.splitlines()) >= 4
    assert fault.remedy.action.endswith(".")
    assert fault.remedy.fix_by in ("office", "visit")
    for count in (1, 2, 3):
        assert all(isinstance(fault.energy_kwh_day(leg, count), pl.Expr) for leg in fault.legs_of(count))


def test_a_fault_room_says_nothing_of_how_it_is_told() -> None:
    """What the data show is a probe's; which probe speaks for which fault is learned."""
    for path in (ROOT / "pipeline" / "faults" / "catalogue").glob("*.py"):
        assert packages_used(path) & {"probes", "scoring", "learning"} == set()


def test_a_probe_knows_of_no_fault_and_of_no_weight() -> None:
    """A probe says what it measures, whatever anybody makes of it; the core's words and numbers are all it needs."""
    for path in (ROOT / "pipeline" / "probes").glob("*.py"):
        assert packages_used(path) <= {"core"}
        assert [name for name in CATALOGUE if re.search(rf'"{name}"', path.read_text(encoding="utf-8"))] == []


ROOM = '''"""A CT hums. On site: it can be heard. The data: the nights of leg 1 read exactly 77 W."""

from dataclasses import replace

from pipeline.faults.catalogue.dead import FAULT as DEAD

FAULT = replace(DEAD, name="humming", legs=("l1",), story="A CT hums.")
'''


@pytest.fixture
def with_humming(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, Fault]]:
    """The catalogue as it is once one file more lies in the folder of faults."""
    (tmp_path / "humming.py").write_text(ROOM, encoding="utf-8")
    monkeypatch.setattr(
        pipeline.faults.catalogue, "__path__", [*pipeline.faults.catalogue.__path__, str(tmp_path)]
    )
    found = discover("pipeline.faults.catalogue", list(pipeline.faults.catalogue.__path__))
    monkeypatch.setattr(fault_cards, "CATALOGUE", found)
    yield dict(found)
    del sys.modules["pipeline.faults.catalogue.humming"]
    del pipeline.faults.catalogue.humming  # type: ignore[attr-defined]


def test_a_new_fault_edits_nothing_else(with_humming: dict[str, Fault]) -> None:
    """One file: found, learned, scored on its leg, and on the cards for people."""
    settings = load_settings()
    quick = {"rounds": 20, "which_rounds": 10, "leg_rounds": 10, "innocent_rounds": 2, "fewest_in_leaf": 3}
    quick |= {"learning_rate": 0.3, "leaves": 4, "l2_penalty": 0.5}
    own = settings.model_copy(update={"training": settings.training.model_copy(update=quick)})
    hums = [{"zero_l1_share": 0.4, "night_l1_negative_share": 0.2 + 0.002 * at} for at in range(40)]
    dead = [{"tiny_l2_share": 0.99, "zero_l2_share": 0.9, "pv_corr_l2": 0.001 * at} for at in range(40)]
    scaled = [{"meter_gain_l1": 2.0 + 0.001 * at, "meter_gain_l2": 2.0} for at in range(40)]
    odd = [{**row, "site_id": f"odd {at}"} for at, row in enumerate(hums + dead + scaled)]
    signals = pl.concat([varied(120, seed=1), homes(odd)])
    truth = pl.DataFrame(
        {
            "site_id": signals["site_id"],
            "fault": ["sound"] * 120 + ["humming"] * 40 + ["dead"] * 40 + ["wrong_ratio"] * 40,
            "leg": [None] * 120 + ["l1"] * 40 + ["l2"] * 40 + ["both"] * 40,
            "hard_negative": ["vacant"] * 40 + ["snow"] * 40 + [None] * 160,
        }
    )
    labelled = Labelled(register(signals), signals, truth)
    with threadpool_limits(1):
        model = fit_model([Fleet("streets", labelled, measure(signals))], own, 1, recipe={})

    scores = night_scored(signals, labelled.sites, model, own, catalogue=with_humming).scores

    assert list(with_humming) == [*CATALOGUE, "humming"]
    assert model.faults == ("dead", "humming", "wrong_ratio")
    told = scores.with_columns(truth["fault"], true_leg=truth["leg"])
    for name, leg in (("humming", "l1"), ("dead", "l2"), ("wrong_ratio", "both")):
        assert set(told.filter(pl.col("fault") == name).select("suspected_fault", "leg").rows()) == {
            (name, leg)
        }
    assert set(told.filter(pl.col("fault") == "sound")["verdict"]) == {"sound"}
    assert fault_cards.fault_cards()["humming"].story == "A CT hums."


def test_no_room_but_its_own_knows_a_fault_by_name() -> None:
    """The contract lists them; the sample's scenario is one."""
    may_name = {ROOT / "pipeline/core/contract.py", ROOT / "pipeline/simulate/sample.py"}
    elsewhere = [path for path in ROOMS if path.parent.name != "catalogue" and path not in may_name]
    assert [(name_of(path), text) for path in elsewhere for text in texts(path) if text in CATALOGUE] == []
