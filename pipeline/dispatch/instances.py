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
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from pyvrp import CostEvaluator, ProblemData, read, read_solution
from rich.console import Console

from pipeline.core.errors import InputError
from pipeline.core.setting_sections import DispatchSettings
from pipeline.core.settings import load_settings
from pipeline.dispatch.days import run_solver

LIMIT = 0.05


@dataclass(frozen=True)
class Published:
    """A published instance: its file, how its authors round distances, and the best known cost so rounded.

    `best` is null where the best known routes lie beside it as a .sol file; `source` says who published it.
    """

    file: str
    rounding: str
    best: int | None
    source: str


INSTANCES = (
    Published(
        "E-n22-k4.txt", "round", 375, "optimal; Christofides and Eilon 1969, in the file's own comment"
    ),
    Published("RC208.vrp", "dimacs", None, "Solomon 1987 with time windows; routes in RC208.sol"),
    Published("C201R0.25.vrp", "dimacs", None, "optimal; Yang 2023, several trips; routes in C201R0.25.sol"),
    Published("X115-HVRP.vrp", "exact", None, "Pessoa et al. 2018, unlike trucks; routes in X115-HVRP.sol"),
    Published(
        "PR11A.vrp",
        "exact",
        6_666_010,
        "Vidal et al. 2013, several starts, shifts bounded; PR11A.sol, 6666.01",
    ),
    Published("pr107.tsp", "round", 44_303, "optimal; TSPLIB, one truck"),
)


@dataclass(frozen=True)
class Measured:
    """One instance solved: `gap` is (cost - best known) / best known; costs in the instance's rounded units."""

    published: Published
    homes: int
    cost: int
    best: int
    is_feasible: bool

    @property
    def gap(self) -> float:
        """Share by which our routes cost more than the best known."""
        return self.cost / self.best - 1

    @property
    def is_met(self) -> bool:
        """Whether the routes hold and cost at most LIMIT more than the best known."""
        return self.is_feasible and self.gap <= LIMIT


def measure(folder: Path, published: Published, own: DispatchSettings) -> Measured:
    """Solve one instance of `folder` as a day is solved.

    Raises
    ------
    InputError
        The folder does not hold the instance.
    """
    path = folder / published.file
    if not path.is_file():
        raise InputError(f"{path}: no such instance; name the folder tests/data of pyvrp's source package")
    data = read(path, round_func=published.rounding)
    found = run_solver(data, data.num_clients, own)
    best = published.best or _best_known(path.with_suffix(".sol"), data)
    return Measured(published, data.num_clients, int(found.cost()), best, found.is_feasible())


def _best_known(path: Path, data: ProblemData) -> int:
    """Return what the routes in `path` cost, by the same evaluation as ours."""
    return CostEvaluator([0] * data.num_load_dimensions, 0, 0).cost(read_solution(path, data))


def fetch(folder: Path) -> Path:
    """Have pip fetch the source package of the installed pyvrp into `folder`; return its tests/data.

    Raises
    ------
    InputError
        pip could not fetch it.
    """
    name = f"pyvrp=={version('pyvrp')}"
    asked = ("download", "--quiet", "--no-deps", "--no-binary", "pyvrp", "--dest", str(folder), name)
    done = subprocess.run([sys.executable, "-m", "pip", *asked], capture_output=True, text=True, check=False)
    packages = sorted(folder.glob("pyvrp-*.tar.gz"))
    if done.returncode or not packages:
        raise InputError(
            f"{name}: pip could not fetch the source package: {' '.join(done.stderr.split())[-200:]}"
        )
    with tarfile.open(packages[0]) as package:
        package.extractall(folder, filter="data")
    return packages[0].with_name(packages[0].name.removesuffix(".tar.gz")) / "tests" / "data"


def main(words: list[str]) -> int:
    """Print one line an instance; return the exit status."""
    console = Console(highlight=False, markup=False, soft_wrap=True)
    own = load_settings().dispatch
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(words[0]) if words else fetch(Path(temporary))
        console.print(f"{'instance':<14} {'homes':>5} {'cost':>12} {'best known':>12} {'gap':>7}")
        measured = [measure(folder, published, own) for published in INSTANCES]
    for one in measured:
        console.print(
            f"{one.published.file:<14} {one.homes:5d} {one.cost:12d} {one.best:12d} {one.gap:7.2%} "
            f"{'met' if one.is_met else 'NOT MET'} ({one.published.source})"
        )
    return 0 if all(one.is_met for one in measured) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
