"""A disk that is full, at twenty places of a night: `python tests/reliability/full_disks.py`, as root.

OUT lies on a small disk in memory that has room for a part of what the night writes. The night must fail in a line that
names the disk, and leave everything as it was but whole files of the store; with room enough it must publish.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from datetime import date
from pathlib import Path

_HERE = Path(__file__).parent
sys.path[:0] = [str(_HERE), str(_HERE.parent / "scenarios"), str(_HERE.parents[1])]

from nights import FIRST, NEXT, build, words

from pipeline.commands import cli

_PAGE = os.sysconf("SC_PAGE_SIZE")


@contextmanager
def small_disk(place: Path) -> Iterator[Path]:
    """Mount a disk in memory; raises CalledProcessError where that isn't allowed."""
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(place)], check=True, capture_output=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def used_bytes(disk: Path) -> int:
    room = os.statvfs(disk)
    return (room.f_blocks - room.f_bfree) * room.f_frsize


def limit(disk: Path, most: int) -> None:
    pages = max(1, -(-most // _PAGE))
    subprocess.run(["mount", "-o", f"remount,size={pages * _PAGE}", str(disk)], check=True)


def tree(out: Path) -> dict[str, object]:
    """Every file and folder with its bytes or where it leads."""
    return {
        path.relative_to(out).as_posix(): os.readlink(path)
        if path.is_symlink()
        else path.read_bytes()
        if path.is_file()
        else None
        for path in sorted(out.rglob("*"))
    }


def night(lake: Path, out: Path, as_of: date) -> tuple[int, str]:
    """Run a night here; return its exit status and what it complained of."""
    told = io.StringIO()
    try:
        with redirect_stdout(io.StringIO()), redirect_stderr(told):
            cli.main(words(lake, out, as_of))
    except SystemExit as left:
        return int(left.code or 0), told.getvalue()
    return 0, told.getvalue()


def fill(lake: Path, disk: Path, share: float, needed: int) -> tuple[int, str, list[str], list[str]]:
    """Run the second night with room for a share of `needed` bytes.

    Returns status and complaint, then what it left elsewhere than in the store, and there.
    """
    out = disk / "out"
    before = tree(out)
    limit(disk, used_bytes(disk) + int(share * needed))
    status, told = night(lake, out, NEXT)
    limit(disk, 2**30)
    left = [name for name, what in tree(out).items() if before.get(name, "") != what]
    left += [name for name in before if name not in tree(out)]
    whole = [name for name in left if name.startswith("store/") and "/." not in name]
    return status, told, sorted(set(left) - set(whole)), whole


def restore(out: Path, kept: Path) -> None:
    shutil.rmtree(out)
    shutil.copytree(kept, out, symlinks=True)


def main() -> None:
    """Fill it at twenty places."""
    with tempfile.TemporaryDirectory() as place:
        lake, kept = build(Path(place)), Path(place) / "kept"
        with small_disk(Path(place) / "disk") as disk:
            out = disk / "out"
            night(lake, out, FIRST)
            shutil.copytree(out, kept, symlinks=True)
            base = used_bytes(disk)
            night(lake, out, NEXT)
            needed, wrong = used_bytes(disk) - base, 0
            print(f"the second night needs {needed:,} bytes")
            for step in range(20):
                restore(out, kept)
                status, told, left, store = fill(lake, disk, step / 20, needed)
                is_right = status == 1 and "no space on tmpfs (mounted at" in told and not left
                is_right &= told.count("\n") == 1 and "nothing was published" in told
                wrong += not is_right
                print(
                    f"{step / 20:.0%}: {status} {told.strip()} left {left}, in the store {len(store)}",
                    flush=True,
                )
            print(f"20 full disks, {wrong} wrong")


if __name__ == "__main__":
    main()
