"""The measure against published routes, shown on a square of four homes whose best route anyone can see."""

from pathlib import Path

import pytest

from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.dispatch.instances import INSTANCES, Instance, main, solve_instance

SETTINGS = load_settings().dispatch
SQUARE = """NAME : square
TYPE : CVRP
DIMENSION : 4
VEHICLES : 1
CAPACITY : 9
EDGE_WEIGHT_TYPE : EUC_2D
NODE_COORD_SECTION
1 0 0
2 0 10
3 10 10
4 10 0
DEMAND_SECTION
1 0
2 1
3 1
4 1
DEPOT_SECTION
1
-1
EOF
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "square.vrp").write_text(SQUARE, encoding="utf-8")
    return tmp_path


def test_the_gap_to_a_published_cost(folder: Path) -> None:
    solved = solve_instance(folder, Instance("square.vrp", "round", 40, "the square"), SETTINGS)
    assert (solved.homes, solved.cost, solved.gap, solved.is_met) == (3, 40, 0.0, True)
    assert not solve_instance(folder, Instance("square.vrp", "round", 38, "no such route"), SETTINGS).is_met


def test_the_gap_to_published_routes(folder: Path) -> None:
    # this route crosses the square twice: 10 + 14 + 10 + 14
    (folder / "square.sol").write_text("Route #1: 1 3 2\nCost 48\n", encoding="utf-8")
    solved = solve_instance(folder, Instance("square.vrp", "round", None, "worse routes"), SETTINGS)
    assert (solved.cost, solved.best) == (40, 48)


def test_a_folder_without_the_instances_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"E-n22-k4\.txt: no such instance"):
        main([str(tmp_path)])
    assert INSTANCES[0].file == "E-n22-k4.txt"
