"""`kill -9` at random moments of nights: `python tests/reliability/kills.py --kills 200 --seed 1` from the root.

Each turn starts a night in a process of its own and kills it after a random share of the time that an undisturbed one
takes. Then `latest` must be a run as whole as an undisturbed one, of this night or of the one before; and a night
run to its end must give the bytes of an undisturbed one, whatever the killed ones left in OUT.
"""

from __future__ import annotations

import argparse
import io
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import redirect_stdout
from datetime import date
from pathlib import Path

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

from nights import FIRST, NEXT, build, put, rows, said, start, words

from pipeline.commands import cli


def whole_night(lake: Path, out: Path, as_of: date = NEXT) -> None:
    """Run a night here, to its end."""
    status = 0
    with redirect_stdout(io.StringIO()):
        try:
            cli.main(words(lake, out, as_of))
        except SystemExit as left:
            status = int(left.code or 0)
    assert status in (0, 3)  # 3: published, with an alarm beside


def kill_nights(
    kills: int, seed: int, place: Path, tell: Callable[[str], None] = lambda line: None
) -> Counter[str]:
    """Kill so many nights and hold what must hold; return how often a kill came when.

    "early": before the night held OUT; "working": in the middle; "built": with a run half built. "waited" counts nights
    that ended before their kill, which are no kills; "reruns" the nights that were run to their end afterwards.
    """
    lake = build(place)
    before, out = place / "before", place / "out"
    whole_night(lake, before, FIRST)
    expected = {"before": said(before / "latest")}
    others = {}  # an undisturbed run of each of the two lakes that nights find in turn
    for turn, shift in enumerate((0.0, 40.0)):
        put(lake, NEXT, rows(NEXT, shift), arrived_h=turn)
        shutil.copytree(before, place / f"calm{turn}", symlinks=True)
        whole_night(lake, place / f"calm{turn}")
        others[turn] = (
            said(place / f"calm{turn}" / "latest"),
            said(place / f"calm{turn}" / "runs" / str(FIRST)),
        )
    begun = time.perf_counter()
    start(lake, place / "timed").communicate()
    usual = time.perf_counter() - begun
    chance, told = random.Random(seed), Counter[str]()
    shutil.copytree(before, out, symlinks=True)
    assert expected["before"] == others[1][1]
    while (number := sum(told[when] for when in ("early", "working", "built"))) < kills:
        turn = told.total() % 2
        put(lake, NEXT, rows(NEXT, (0.0, 40.0)[turn]), arrived_h=turn)
        killed = start(lake, out)
        try:
            killed.wait(chance.uniform(0.3, 1.02) * usual)
            told["waited"] += 1
            usual *= 0.95  # the machine was busier when it was measured
        except subprocess.TimeoutExpired:
            killed.kill()
            killed.wait()
            is_built = bool(list((out / "runs").glob(".building-*")))
            told["built" if is_built else "working" if (out / "store" / ".work").exists() else "early"] += 1
        killed.communicate()
        found = said(out / "latest")
        allowed = [*expected.values(), others[0][0], others[1][0]]
        assert found in allowed, f"kill {number}: latest is no whole run"
        if chance.random() < 0.5:
            whole_night(lake, out)
            found = said(out / "latest")
            assert found == others[turn][0], (
                f"kill {number}: the rerun differs in {_differing(found, others[turn][0])}"
            )
            assert not list((out / "runs").glob(".building-*"))
            told["reruns"] += 1
        tell(f"{number} of {kills}: {dict(told)}")
    whole_night(lake, out)
    assert said(out / "latest") == others[turn][0]
    return told


def _differing(one: dict[str, object], other: dict[str, object]) -> list[str]:
    return sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))


def main() -> None:
    """Run what the command line asks for."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=200)
    asked.add_argument("--seed", type=int, default=1)
    options = asked.parse_args()
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        told = kill_nights(options.kills, options.seed, Path(place), lambda line: print(line, flush=True))
    print(f"{options.kills} kills, seed {options.seed}, {time.perf_counter() - begun:.0f} s: {dict(told)}")


if __name__ == "__main__":
    main()
