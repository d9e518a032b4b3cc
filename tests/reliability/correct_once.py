"""`python correct_once.py LAKE OUT LIKELIHOOD`: a correction of homes a and b, in a process that may be killed."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path


def correct(lake: str, out: str, likelihood: str) -> None:
    """Put the readings since the first of June right."""
    from corrections import episode, stages_of

    from pipeline.core.settings import load_settings
    from pipeline.correction.run import CorrectionRequest, correct_lake

    stages = stages_of(*(episode(home, date(2025, 6, 1), likelihood=float(likelihood)) for home in "ab"))
    correct_lake(CorrectionRequest(Path(lake), Path(out)), load_settings(), stages)


if __name__ == "__main__":
    here = Path(__file__).parent
    sys.path[:0] = [str(here.parent / "scenarios"), str(here.parents[1])]
    correct(*sys.argv[1:])
