"""What `nightclamp check` says of a lake in June 2025."""

from datetime import date
from pathlib import Path

from pipeline.core.settings import load_settings
from pipeline.ingest.check_problem import Problem
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import open_lake

TODAY = date(2025, 6, 10)


def problems(lake: Path, *, all_days: bool = False) -> list[Problem]:
    return list(check_lake(open_lake(lake), load_settings(), TODAY, all_days=all_days))


def lines(lake: Path) -> list[tuple[str, str, str]]:
    return [(p.severity, p.where, p.what) for p in problems(lake)]
