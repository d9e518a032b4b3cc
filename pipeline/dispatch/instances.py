"""How near the solver, set as every day is solved, comes to the best known routes of published instances.

    python -m pipeline.dispatch.instances [FOLDER]

FOLDER holds the instances that pyvrp's source package carries in tests/data; without it pip fetches that package.
Exit status 1 if one lies further from the best known than 5 %.
"""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tempfile
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from pyvrp import CostEvaluator, read, read_solution
from rich.console import Console

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import load_settings
from pipeline.dispatch.days import run_solver

LIMIT = 0.05


class Instance(NamedTuple):
    """A published instance: its file, how its authors round distances, and the best known cost so rounded.

    `best` is None where the best known routes lie beside it as a .sol file; `source` says who published it.
    """

    file: str
    rounding: str
    best: int | None
    source: str


INSTANCES = (
    Instance("E-n22-k4.txt", "round", 375, "optimal; Christofides and Eilon 1969, in the file's own comment"),
    Instance("RC208.vrp", "dimacs", None, "Solomon 1987 with time windows; routes in RC208.sol"),
    Instance("C201R0.25.vrp", "dimacs", None, "optimal; Yang 2023, several trips; routes in C201R0.25.sol"),
    Instance("X115-HVRP.vrp", "exact", None, "Pessoa et al. 2018, unlike trucks; routes in X115-HVRP.sol"),
    Instance("PR11A.vrp", "exact", 6_666_010, "Vidal et al. 2013, several starts, shifts bounded; PR11A.sol"),
    Instance("pr107.tsp", "round", 44_303, "optimal; TSPLIB, one truck"),
)


class Solved(NamedTuple):
    """One instance solved: costs in the instance's rounded units; `gap` is the share above the best known.

    `is_met`: the routes hold and cost at most LIMIT more than the best known.
    """

    homes: int
    cost: int
    best: int
    gap: float
    is_met: bool


def solve_instance(folder: Path, instance: Instance, settings: DispatchSettings) -> Solved:
    """Return one instance of `folder`, solved as a day is solved.

    Raises
    ------
    InputError
        The folder does not hold the instance.
    """
    path = folder / instance.file
    if not path.is_file():
        raise InputError(f"{path}: no such instance; name the folder tests/data of pyvrp's source package")
    data = read(path, round_func=instance.rounding)
    result = run_solver(data, data.num_clients, settings)
    best = instance.best
    if best is None:  # what the published routes cost, by the same evaluation as ours
        routes = read_solution(path.with_suffix(".sol"), data)
        best = CostEvaluator([0] * data.num_load_dimensions, 0, 0).cost(routes)
    gap = result.cost() / best - 1
    return Solved(data.num_clients, int(result.cost()), best, gap, result.is_feasible() and gap <= LIMIT)


def fetch(folder: Path) -> Path:
    """Have pip fetch the source package of the installed pyvrp into `folder`; return its tests/data.

    Raises
    ------
    InputError
        pip could not fetch it.
    """
    name = f"pyvrp=={version('pyvrp')}"
    options = ("--quiet", "--no-deps", "--no-binary", "pyvrp", "--dest", str(folder))
    command = [sys.executable, "-m", "pip", "download", *options, name]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    packages = sorted(folder.glob("pyvrp-*.tar.gz"))
    if result.returncode or not packages:
        reason = " ".join(result.stderr.split())[-200:]
        raise InputError(f"{name}: pip could not fetch the source package: {reason}")
    with tarfile.open(packages[0]) as package:
        package.extractall(folder, filter="data")
    return packages[0].with_name(packages[0].name.removesuffix(".tar.gz")) / "tests" / "data"


def main(arguments: list[str]) -> int:
    """Print one line an instance; return the exit status."""
    console = Console(highlight=False, markup=False, soft_wrap=True)
    settings = load_settings().dispatch
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(arguments[0]) if arguments else fetch(Path(temporary))
        console.print(f"{'instance':<14} {'homes':>5} {'cost':>12} {'best known':>12} {'gap':>7}")
        results = [solve_instance(folder, instance, settings) for instance in INSTANCES]
    for instance, solved in zip(INSTANCES, results, strict=True):
        console.print(
            f"{instance.file:<14} {solved.homes:5d} {solved.cost:12d} {solved.best:12d} {solved.gap:7.2%} "
            f"{'met' if solved.is_met else 'NOT MET'} ({instance.source})"
        )
    return 0 if all(solved.is_met for solved in results) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
