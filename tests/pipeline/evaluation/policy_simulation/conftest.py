"""A world small enough to be made in a moment: twenty homes in two parts, over nine days of whole hours."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.evaluation.policy_simulation import world as worlds
from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.evaluation.policy_simulation.world import World, make_world
from pipeline.simulate.spec import FleetSpec

# Faulty: 0, 4 intermittent and 7 swapped later; 5 swapped, 6 crossed, 12 scope, 14 dead, 15 ratio from the first day.
SPEC = FleetSpec(20, 9, 60, 5, date(2026, 6, 14), fault_share=0.7, onset_share=0.5, hard_share=0.0)


@pytest.fixture(scope="session")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(worlds, "HOMES_A_PART", 10)
        return make_world(SPEC, tmp_path_factory.mktemp("rehearsal") / "world", workers=1)


@pytest.fixture
def nothing_done() -> pl.DataFrame:
    """The ledger before the first morning."""
    return pl.DataFrame(schema=LEDGER)
