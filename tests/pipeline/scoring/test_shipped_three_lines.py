"""The model of three lines that comes with the program."""

from __future__ import annotations

import pytest
from scored_homes import register
from three_line_rows import three_line_homes, wired_row

from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.learning.lessons import LESSONS_OF_THREE_LINES
from pipeline.scoring.design import columns
from pipeline.scoring.fleet_normal import learn_normal
from pipeline.scoring.model_file import load_model, shipped_of_three_lines
from pipeline.scoring.score_homes import score


def test_the_shipped_model_of_three_lines_knows_every_fault_and_this_versions_probes() -> None:
    shipped = shipped_of_three_lines()

    assert shipped.line_count == 3
    assert shipped.faults == load_model().faults
    assert (shipped.columns, shipped.leg_columns) == columns(3)
    assert {family["family"] for family in shipped.recipe["fleets"]} == {
        lesson.family for lesson in LESSONS_OF_THREE_LINES
    }


@pytest.mark.parametrize("signs", [(-1, 1, 1), (1, 1, -1)])
def test_the_shipped_model_sees_a_turned_ct_and_leaves_the_right_home(
    signs: tuple[int, ...],
) -> None:
    gains = {
        at: {f"gain_l{line}": 1.0 * sign for line, sign in enumerate(given, start=1)}
        | {"gain_sum": sum(given) / 3}
        for at, given in enumerate([(1, 1, 1)] * 20 + [signs])
    }
    rows = [
        wired_row((0, 1, 2), (1, 1, 1) if at < 20 else signs, seed=at) | gains[at] | {"site_id": f"{at:02}"}
        for at in range(21)
    ]
    signals, model, own = three_line_homes(rows), load_model(), load_settings().verdict

    fleet = learn_normal(signals, model, own)
    scores = score(signals, register(signals), fleet, model=model, catalogue=CATALOGUE, settings=own)

    last = scores.row(20, named=True)
    assert last["likelihood"] > 0.5 > scores["likelihood"][:20].max()
    assert last["likely_leg"] == f"l{signs.index(-1) + 1}"
