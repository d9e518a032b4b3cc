"""Nights one after the other, the newest run damaged, and the next night: `python tests/reliability/chains.py` for all.

Every table that a night reads of the run before is damaged in every way. Then the night must go on from the run before
that, say so, and tell of each home what a night after undamaged runs tells, but for the dates that only the damaged
one knew.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import polars as pl

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

from nights import FIRST, HOMES, SETTINGS, put, rows
from published_runs import cut, delete, flip, zero

from pipeline.core.settings import Settings, load_settings
from pipeline.nightly.night_inputs import READ_OF_PREVIOUS, NightRequest
from pipeline.nightly.run import NightResult, run_night

NIGHTS = [FIRST + timedelta(days=at) for at in range(5)]
VISITS = f"""visit_id,site_id,visited_on,crew_id,found,leg,fixed,note
V1,a,{NIGHTS[1]},c1,reversed,l1,false,
V2,b,{NIGHTS[2]},c1,sound,,,
V3,c,{NIGHTS[3]},c1,other,,,
"""
# What is known of a home by the visits and the days in the store; the other columns say since when.
STATUS = (
    "site_id", "reason", "is_listed", "is_held", "fault", "last_visit_on", "found", "found_leg", "outcome", "proof",
    "planned_on",
)  # fmt: skip
PROMISE = ("visit_id", "site_id", "visited_on", "found", "found_leg", "fixed", "is_hit")


def forbid(path: Path) -> None:
    """A folder of that name: root may read any file."""
    path.unlink()
    path.mkdir()


DAMAGES: dict[str, Callable[[Path], None]] = {
    "cut": cut, "zero": zero, "flip": flip, "delete": delete, "forbid": forbid
}  # fmt: skip
FILES = ("run.json", *(f"{table}.parquet" for table in READ_OF_PREVIOUS))


def own_settings(root: Path) -> Settings:
    (root / "own.toml").write_text(SETTINGS)
    return load_settings(root / "own.toml")


def build_chain(root: Path) -> tuple[Path, Path]:
    """A lake of five days with three visits, and an OUT with a run of each of the first four nights."""
    lake, out = root / "lake", root / "out"
    lake.mkdir(parents=True)
    site = "{},America/Denver,39.7,-105.0,north,120/240,200,7.6,true,c1"
    header = "site_id,timezone,latitude,longitude,area,service,service_amps,pv_kw,ct_sees_pv,crew_id"
    (lake / "sites.csv").write_text("\n".join([header, *(site.format(home) for home in HOMES)]) + "\n")
    (lake / "crews.csv").write_text("crew_id,crew_name\nc1,First crew\n")
    (lake / "visits.csv").write_text(VISITS)
    for day in NIGHTS:
        put(lake, day, rows(day))
    for night in NIGHTS[:-1]:
        run(root, out, night)
    return lake, out


def run(root: Path, out: Path, night: date = NIGHTS[-1]) -> NightResult:
    return run_night(NightRequest(root / "lake", out, night), own_settings(root))


def after(root: Path, out: Path, name: str, damage: Callable[[Path], None] | None, newest: int = 1) -> Path:
    """Copy OUT, damage a file of its `newest` last runs, and return the copy once the last night has run in it."""
    copy = Path(tempfile.mkdtemp(dir=root)) / "out"
    shutil.copytree(out, copy, symlinks=True)
    for night in NIGHTS[-1 - newest : -1] if damage else ():
        damage((copy / "runs" / str(night)).resolve() / name)
    run(root, copy)
    return copy


def known(out: Path) -> dict[str, pl.DataFrame]:
    """What the visits and the store tell, by the newest night."""
    latest = out / "latest"
    story = pl.read_parquet(latest / "home_story.parquet").filter(pl.col("what") == "visit")
    return {
        "standing": pl.read_parquet(latest / "standing.parquet").select(STATUS),
        "promise": pl.read_parquet(latest / "promise.parquet").select(PROMISE),
        "visits told": story.select("site_id", "happened_on", "key", "told"),
        "crews": pl.read_parquet(latest / "crew_quality.parquet"),
        "scores": pl.read_parquet(latest / "site_scores.parquet"),
    }


def differing(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> list[str]:
    return [name for name in one if not one[name].equals(other[name])]


def alarms(out: Path) -> list[str]:
    table = pl.read_parquet(out / "latest" / "alarm.parquet")
    return table.filter(pl.col("code") == "run_damaged")["told"].to_list()


def main() -> None:
    """Damage each file in each way."""
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        _, out = build_chain(root)
        healthy = after(root, out, "", None)
        expected, lost, wrong = known(healthy), set[str](), 0
        full = pl.read_parquet(healthy / "latest" / "standing.parquet")
        for name in FILES:
            for kind, damage in DAMAGES.items():
                copy = after(root, out, name, damage)
                told, found = alarms(copy), differing(expected, known(copy))
                standing = pl.read_parquet(copy / "latest" / "standing.parquet")
                lost |= {column for column in full.columns if not full[column].equals(standing[column])}
                is_right = len(told) == 1 and name in told[0] and str(NIGHTS[-3]) in told[0] and not found
                wrong += not is_right
                print(
                    f"{name} {kind}: {'as it should' if is_right else f'WRONG {found}'}: {told}", flush=True
                )
                shutil.rmtree(copy.parent)
    print(
        f"{len(FILES) * len(DAMAGES)} damages, {wrong} wrong; columns of standing that differ: {sorted(lost)}"
    )


if __name__ == "__main__":
    main()
