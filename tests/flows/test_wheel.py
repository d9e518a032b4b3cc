"""A wheel, made as the container file makes it, runs the night, the flow and the reports far from any checkout."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Callable
from pathlib import Path

import pytest
from container_file import read_container_file

from pipeline.core.build_identity import build_identity

pytest.importorskip("hatchling", reason="builds the wheel; the dev extra has it")
pytestmark = pytest.mark.heavy

ROOT = Path(__file__).parents[2]
# No site, so no link to a checkout that the environment may hold: the wheel's folder and the dependencies alone.
LAUNCH = """
import runpy, sys
sys.path[:0], sys.argv[:] = [sys.argv[1]], sys.argv[3:]
sys.path.append({dependencies!r})
runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
"""
Run = Callable[..., str]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that the wheel is installed in, built from what the container file copies and by its command."""
    root = tmp_path_factory.mktemp("wheel")
    source, wheels, target = root / "source", root / "wheels", root / "installed"
    source.mkdir()
    lines = read_container_file(ROOT / "flows" / "Containerfile")
    for line in lines:
        if line.name == "COPY" and not line.text.startswith("--from"):
            for word in line.text.split()[:-1]:
                made = ROOT / word
                copy = shutil.copytree if made.is_dir() else shutil.copy
                copy(made, source / word)
    (build,) = (line.text.split() for line in lines if line.name == "RUN" and " wheel " in line.text)
    assert build[:3] == ["python", "-m", "pip"]
    words = [str(wheels) if word == "/wheels" else word for word in build[3:]]
    # hatchling is here already, and nobody is asked for it
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    subprocess.run([*pip, *words, "--no-build-isolation", "--no-index"], cwd=source, check=True)
    (wheel,) = wheels.glob("*.whl")
    into = ["install", "--no-deps", "--no-index", "--no-compile", "--target", str(target), str(wheel)]
    subprocess.run([*pip, *into], cwd=root, check=True)
    return target


@pytest.fixture(scope="module")
def run(installed: Path, tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Runs a module of the wheel in a folder of its own; returns what it said."""
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    launch = LAUNCH.format(dependencies=sysconfig.get_path("purelib"))
    own = {"PREFECT_HOME": str(elsewhere / "prefect"), "NIGHTCLAMP_REPORT__HOME_PAGES": "2"}
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | own

    def start(module: str, *words: str | Path) -> str:
        said = subprocess.run(
            [sys.executable, "-I", "-S", "-c", launch, str(installed), "--", module, *map(str, words)],
            cwd=elsewhere, env=environment, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert said.returncode == 0, said.stdout[-500:] + said.stderr[-2000:]
        assert str(ROOT) not in said.stdout + said.stderr
        return said.stdout

    return start


CLI = "pipeline.commands.cli"


def test_every_file_of_the_packages_is_in_it(installed: Path) -> None:
    ours = {
        str(path.relative_to(ROOT))
        for package in ("pipeline", "flows", "sql")
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    theirs = {str(path.relative_to(installed)) for path in installed.rglob("*") if path.is_file()}
    assert {"pipeline/core/settings.toml", "flows/prefect.yaml", "flows/Containerfile"} <= ours
    assert sorted(ours - theirs) == []


def test_it_is_the_build_that_the_checkout_is(run: Run) -> None:
    assert run(CLI, "--version").strip() == build_identity()


def test_it_runs_the_night_its_pages_and_what_comes_after(run: Run, installed: Path, tmp_path: Path) -> None:
    lake, out = tmp_path / "lake", tmp_path / "out"
    size = ["--sites", "12", "--days", "6", "--minutes", "60", "--seed", "3", "--fault-share", "0.5"]
    run(CLI, "simulate", lake, *size)
    assert "in contract" in run(CLI, "check", lake)
    assert "Homes to revisit" in run(CLI, "nightly", lake, "--out", out)
    record = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))
    assert record["versions"]["build"] == build_identity()
    assert (out / "latest" / "report" / "index.html").stat().st_size > 10_000
    assert list((out / "latest" / "report").rglob("*.js"))
    assert (out / "latest" / "metrics.prom").is_file()
    run(CLI, "orders", "--out", out)
    assert list((out / "orders").rglob("*.html"))
    assert "H00003" in run(CLI, "explain", "H00003", "--out", out)

    told = run("flows.nightly", "--lake", lake, "--out", tmp_path / "flow", "--once")

    assert "Homes to revisit" in told
    assert (tmp_path / "flow" / "latest" / "report" / "index.html").is_file()
