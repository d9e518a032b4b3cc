"""Runs the commands with every numeric setting at its limits: `python tests/fuzz/setting_limits.py [SECTION ...]`.

A small fleet of every register; each setting alone is put at its lower and upper limit. What is neither published, told
in one line nor done within the time is a finding. Settings of training and of rehearsals are loaded, not lived.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

from drive_commands import command

from pipeline.core.settings import SECTIONS
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

# A section's command, where it isn't the night; None: loaded only, since it takes minutes to live.
BY: dict[str, str | None] = {
    "dispatch": "dispatch", "orders": "orders", "correction": "correct", "training": None, "own_fleet": None,
    "rehearsal": None, "cluster": None, "object_store": None,
}  # fmt: skip
TOO_LONG_S = 120
TOGETHER = "(all keys)"
Case = tuple[str, str, int, float]  # section, key, 0 for its lower and 1 for its upper limit, the value there
# What another key must say so that a limit may be taken.
BESIDE = {
    ("verdict", "suspect", 0): {"sound": 0.0}, ("verdict", "sound", 1): {"suspect": 1.0},
    ("ranking", "least_drive_min", 1): {"most_drive_min": 1440.0},
    ("ranking", "most_drive_min", 0): {"least_drive_min": 0.0},
    ("visits", "proved_below", 1): {"disproved_from": 1.0}, ("visits", "disproved_from", 0): {"proved_below": 0.0},
}  # fmt: skip


def cases(sections: Iterable[str]) -> Iterator[Case]:
    """Each numeric key of the sections, 0 for its lower and 1 for its upper limit, and the value there."""
    for section in sections:
        for key, field in SECTIONS[section].model_fields.items():
            if field.annotation not in (int, float):
                continue
            limit = {
                name: getattr(rule, name)
                for rule in field.metadata
                for name in ("ge", "gt", "le")
                if hasattr(rule, name)
            }
            low = limit["ge"] if "ge" in limit else limit["gt"] + 1e-9
            kind = field.annotation
            yield section, key, 0, kind(low)
            yield section, key, 1, kind(limit["le"])


def build_fleet(root: Path) -> Path:
    """A lake of ten homes over five days with every register."""
    write_lake(FleetSpec(sites=10, days=5, minutes=30, seed=4, fault_share=0.6, utility_share=0.5), root)
    homes = [f"{line.split(',')[0]}" for line in (root / "sites.csv").read_text().splitlines()[1:]]
    days = sorted(path.name.removeprefix("date=") for path in (root / "intervals").iterdir())
    visits = [
        f"v{n},{home},{days[-3]},,{'dead' if n % 2 else 'sound'},l1,true,note"
        for n, home in enumerate(homes[:4])
    ]
    (root / "visits.csv").write_text(
        "visit_id,site_id,visited_on,crew_id,found,leg,fixed,note\n" + "\n".join(visits) + "\n"
    )
    (root / "safety_calls.csv").write_text(
        f"site_id,called_on,repaired_on,note\n{homes[0]},{days[-4]},{days[-2]},x\n"
    )
    return root


def written(case: Case) -> str:
    """The settings file of a case, or of a section's keys all at their lower or upper limits."""
    section, key, which, value = case
    if key == TOGETHER:
        limits = {name: number for _, name, side, number in cases([section]) if side == which}
        for (_, name, side), others in BESIDE.items():
            if name in limits and side == which:
                limits |= {
                    other: max(number, limits[other]) for other, number in others.items() if other in limits
                }
    else:
        limits = {key: value, **BESIDE.get((section, key, which), {})}
    return f"[{section}]\n" + "".join(f"{name} = {number!r}\n" for name, number in limits.items())


def run_case(case: Case, lake: Path, out: Path, folder: Path) -> tuple[str, str]:
    """Return what became of it ("done", "alarm", "one line", "failed", "loaded") and what was told."""
    section = case[0]
    own, here = folder / "own.toml", folder / "out"
    own.write_text(written(case), encoding="utf-8")
    shutil.rmtree(here, ignore_errors=True)
    by = BY.get(section, "nightly")
    if by is None:
        from pipeline.core.settings import load_settings

        load_settings(own)
        return "loaded", ""
    if by != "nightly":
        shutil.copytree(out, here, symlinks=True)
    words = [by, *([] if by == "orders" else [lake]), "--out", here, "--settings", own]
    status, _, err = command(*words)
    return {0: "done", 1: "failed", 2: "one line", 3: "alarm"}[status], err


def main() -> int:
    """Run the campaign; exit status 1 with a finding."""
    parser = argparse.ArgumentParser()
    parser.add_argument("sections", nargs="*")
    parser.add_argument("--together", action="store_true", help="all keys of a section at once")
    asked = parser.parse_args()
    wanted = asked.sections or list(SECTIONS)
    chosen = (
        [(name, TOGETHER, side, 0.0) for name in wanted for side in (0, 1)]
        if asked.together
        else [*cases(wanted)]
    )
    became: Counter[str] = Counter()
    findings = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lake, out = build_fleet(folder / "lake"), folder / "usual"
        print(command("nightly", lake, "--out", out)[0])
        for case in chosen:
            start = time.perf_counter()
            try:
                what, told = run_case(case, lake, out, folder)
            except Exception as error:
                what, told = "TRACEBACK", repr(error)[-600:]
            took = time.perf_counter() - start
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            became[what] += 1
            is_relation = (
                what == "one line" and f"setting {case[0]}: " in told
            )  # of two keys that don't fit together
            is_odd = not is_relation and (what not in ("done", "alarm", "loaded") or took > TOO_LONG_S)
            findings += is_odd
            if is_odd or is_relation or asked.together:
                print(f"{what}: {case} {took:.1f} s, {peak_mb:.0f} MB: {told.strip()[:600]}", flush=True)
        print(dict(became), f"peak {peak_mb:.0f} MB")
    return int(findings > 0)


if __name__ == "__main__":
    sys.exit(main())
