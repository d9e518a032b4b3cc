"""A campaign of hostile cases: `python tests/fuzz/campaign.py --cases 100000 --seed 1` from the repository's root.

Every case is drawn by hypothesis from a seed, so that the same command draws the same cases. What gets out of the
product other than its own errors, and whatever breaks an invariant of targets.py, is a finding: told once a place in
the code, with the first case that led there.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

from hypothesis import HealthCheck, Phase, given, seed, settings
from targets import TARGETS, Target
from watchers import unraised

_BATCH = 2000  # cases a run of hypothesis, which remembers them all


@dataclass
class Campaign:
    """What was run and found."""

    cases: Counter[str] = field(default_factory=Counter)
    taken: Counter[str] = field(default_factory=Counter)
    seconds: Counter[str] = field(default_factory=Counter)
    slowest: dict[str, tuple[float, str]] = field(default_factory=dict)
    findings: dict[str, tuple[int, str]] = field(default_factory=dict)
    tell: Callable[[str], None] = lambda line: None

    def add(self, target: Target, case: Any, folder: Path) -> None:
        """Run one case."""
        start = time.perf_counter()
        try:
            unraised.clear()
            self.taken[target.name] += target.drive(case, folder)
            assert not unraised, unraised
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            count, first = self.findings.get(
                place := _place(target, error), (0, f"{error!s:.300}\n  case: {case!r:.3000}")
            )
            self.findings[place] = (count + 1, first)
            if not count:
                self.tell(f"{place}: {first}")
        took = time.perf_counter() - start
        self.cases[target.name] += 1
        self.seconds[target.name] += took
        if took > self.slowest.get(target.name, (0.0, ""))[0]:
            self.slowest[target.name] = (took, f"{case!r:.300}")


def _place(target: Target, error: BaseException) -> str:
    """Name a finding by its kind and where in the product it came up."""
    frames = traceback.extract_tb(error.__traceback__)
    inside = [frame for frame in frames if "/pipeline/" in frame.filename or "/fuzz/" in frame.filename]
    last = inside[-1] if inside else frames[-1]
    return f"{target.name}: {type(error).__name__} at {Path(last.filename).name}:{last.lineno}"


def run_campaign(
    cases: int, seed_number: int, tell: Callable[[str], None] = lambda line: None, only: str = ""
) -> Campaign:
    """Run at least `cases` cases, shared out over the targets (or one of them), in a folder that is removed."""
    campaign = Campaign(tell=tell)
    with tempfile.TemporaryDirectory() as place:
        for target in TARGETS:
            if only and target.name != only:
                continue
            folder = Path(place) / target.name
            folder.mkdir()
            wanted = max(1, round(cases * (1 if only else target.share)))
            batch = 0
            while campaign.cases[target.name] < wanted:
                number = min(_BATCH, wanted - campaign.cases[target.name])
                _batch(target, number, seed_number * 10_007 + batch, campaign, folder)
                batch += 1
                tell(
                    f"{target.name}: {campaign.cases[target.name]} of {wanted}, {len(campaign.findings)} findings"
                )
    return campaign


def _batch(target: Target, number: int, seed_number: int, campaign: Campaign, folder: Path) -> None:
    @seed(seed_number)
    @settings(
        max_examples=number,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(target.cases)
    def one(case: Any) -> None:
        campaign.add(target, case, folder)

    one()


def main() -> int:
    """Run the campaign that the command line asks for; exit status 1 if it found anything."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cases", type=int, default=100_000)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", default="", choices=["", *(target.name for target in TARGETS)])
    options = asked.parse_args()
    warnings.simplefilter("error")
    start = time.perf_counter()
    done = run_campaign(
        options.cases,
        options.seed,
        lambda line: print(f"{time.perf_counter() - start:7.0f} s  {line}", flush=True),
        options.only,
    )
    print(f"\n{done.cases.total()} cases, seed {options.seed}, {time.perf_counter() - start:.0f} s, "
          f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")  # fmt: skip
    for name, count in done.cases.items():
        slow, case = done.slowest[name]
        each = 1000 * done.seconds[name] / count
        print(
            f"  {name}: {count} cases, {done.taken[name]} taken in, {each:.1f} ms each, most {slow:.2f} s: {case:.99}"
        )
    print(f"{len(done.findings)} findings")
    for place, (count, first) in sorted(done.findings.items()):
        print(f"\n{place}, {count} times: {first}")
    return 1 if done.findings else 0


if __name__ == "__main__":
    sys.exit(main())
