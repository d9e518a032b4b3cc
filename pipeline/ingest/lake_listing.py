"""What lies under intervals/: data, by partition or as it lies, and what is not read, with why."""

from __future__ import annotations

import re
from datetime import date

from pipeline.core.contract import FIRST_DATE
from pipeline.storage.lake_source import SUFFIXES, LakeFile, LakeSource

_PARTITION = re.compile(r"date=(\d{4}-\d{2}-\d{2})")
_NOT_READ = f"not one of {', '.join(SUFFIXES)}; it is not read"


def listed_partitions(source: LakeSource) -> tuple[dict[date, str], list[tuple[str, str]]]:
    """Return the name of each day's partition, and (where, what) of all else."""
    days: dict[date, str] = {}
    odd: list[tuple[str, str]] = []
    for entry in source.partitions():
        name = f"intervals/{entry.name}"
        if is_hidden(entry.name):
            continue
        day = partition_day(entry.name) if entry.inside is not None else None
        if day is None or entry.inside is None:
            odd.append((name, "not a partition named date=YYYY-MM-DD; it is not read"))
            continue
        data = {inside for inside, is_file in entry.inside if is_file and is_data(inside)}
        odd += [
            (f"{name}/{inside}", _NOT_READ if is_file else "not a file; it is not read")
            for inside, is_file in entry.inside
            if inside not in data and not is_hidden(inside)
        ]
        if data:
            days[day] = entry.name
        else:
            odd.append((name, "a day without a file"))
    return days, odd


def listed_files(source: LakeSource) -> tuple[list[LakeFile], list[tuple[str, str]]]:
    """Return the files in intervals/ and in its folders, in the order they arrived, and (where, what) of all else."""
    files = source.loose_files()
    odd: list[tuple[str, str]] = []
    for entry in source.partitions():
        if is_hidden(entry.name) or entry.inside is None:
            continue
        files += source.files(entry.name)
        folders = [inside for inside, is_file in entry.inside if not is_file and not is_hidden(inside)]
        odd += [
            (f"intervals/{entry.name}/{inside}", "a folder in a folder; it is not read") for inside in folders
        ]
    seen = [file for file in files if not is_hidden(file.name.rpartition("/")[2])]
    odd += [(file.name, _NOT_READ) for file in seen if not is_data(file.name.rpartition("/")[2])]
    data = [file for file in seen if is_data(file.name.rpartition("/")[2])]
    return sorted(data, key=lambda file: (file.mtime_ns, file.name)), odd


def partition_day(name: str) -> date | None:
    """Return the day of a partition named date=YYYY-MM-DD, or None; a day before any fleet is none."""
    matched = _PARTITION.fullmatch(name)
    try:
        day = date.fromisoformat(matched.group(1)) if matched else None
    except ValueError:
        return None
    return day if day is not None and day >= FIRST_DATE else None


def is_hidden(name: str) -> bool:
    """Tell whether a name is for others: markers and half-written files of writers, `_SUCCESS`, `.part.crc`."""
    return name.startswith((".", "_"))


def is_data(name: str) -> bool:
    """Tell whether a file is read."""
    return name.endswith(SUFFIXES) and not is_hidden(name)
