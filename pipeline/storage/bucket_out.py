"""OUT in an object store: the night works in a local copy, then hands in what it made; the index is turned last.

    OUT/latest.json, OUT/night.lock        see bucket_index, bucket_lock
    OUT/runs/DATE/<id>/...                 a run, all of it there before the index names it; run.json comes last
    OUT/store/<table>/date=D/...           statistics of a day, put back when the day is done, its counts last
    OUT/corrected/date=D/corrected.parquet, OUT/corrected/...
    OUT/model/<id>/..., OUT/orders/DATE/..., OUT/dispatch/DATE/...

A night that is killed or throttled out leaves objects that nothing names; a later night removes them. The copy, in the
cache folder, may be deleted at any time when no command is at work.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Collection, Iterable
from contextlib import suppress
from datetime import date
from pathlib import Path

from pipeline.core.errors import InputError, NightclampError, NightFailed
from pipeline.core.setting_sections import RetentionSettings
from pipeline.storage import bucket_index, bucket_retention, private_files, publish
from pipeline.storage.bucket_index import Index, read_index
from pipeline.storage.bucket_lock import BucketLock
from pipeline.storage.bucket_names import (
    CORRECTED_FILE,
    DAY_FILE,
    MODEL,
    PLAN,
    TABLE,
    day_of,
    is_copy_damaged,
    turn_of,
    whole_name,
)
from pipeline.storage.bucket_sync import BucketCopy
from pipeline.storage.earlier_run import EarlierRun, tell_damage
from pipeline.storage.layout import CORRECTED, CORRECTED_LAST
from pipeline.storage.object_store import Bucket
from pipeline.storage.retention import Removed, oldest_store_day


class RunGone(NightFailed):
    """A run that the index names has no run.json any more."""


class BucketOut:
    """An OUT in an object store and its working copy `local`."""

    def __init__(self, bucket: Bucket, local: Path, lock: BucketLock | None = None) -> None:
        """Read the index; whoever means to publish holds the lock."""
        self.local, self._bucket, self._lock = local, bucket, lock
        self._copy = BucketCopy(bucket, local)
        self.index, _ = read_index(bucket)

    def named(self, text: str) -> str:
        """Return the text with the address in place of the local folder."""
        return text.replace(str(self.local), str(self._bucket.url))

    def earlier_run(self, day: date, tables: Collection[str]) -> EarlierRun:
        """Return the newest published run before `day` whose tables are whole, its tables and run.json fetched."""
        passed_over = []
        for before in sorted((run for run in self.index.runs if run < str(day)), reverse=True):
            try:
                run = self.bring_run(before)
            except RunGone as error:
                passed_over.append(str(error))
                continue
            line = tell_damage(run, tables)
            if line is None:
                return EarlierRun(run, tuple(passed_over))
            passed_over.append(line)
        return EarlierRun(None, tuple(passed_over))

    def latest_run(self) -> Path:
        """Return the latest run, its tables and run.json fetched."""
        if not self.index.latest:
            url = self._bucket.url
            raise InputError(f"{url}: no published run; run `nightclamp nightly LAKE --out {url}` first")
        return self.bring_run(self.index.latest)

    def published(self) -> list[date]:
        """Return the days that have a run, oldest first."""
        return sorted(map(date.fromisoformat, self.index.runs))

    def run_of(self, day: date) -> Path:
        """Return the run of a published day, its tables and run.json fetched."""
        return self.bring_run(str(day))

    def drop_old(self, as_of: date, retention: RetentionSettings, *, least_days: int) -> Removed:
        """Remove runs, from the index before their objects, and days of the store that are no longer kept."""
        days = self.published()
        dropped = bucket_retention.runs_to_drop(self.index, self.local, as_of, settings=retention)
        if dropped:
            if self._lock:
                self._lock.check()
            names = [str(day) for day in dropped]
            self.index = bucket_index.turn(self._bucket, self.index, lambda index: index.without(names))
            bucket_retention.remove_runs(self._bucket, names)
        oldest = oldest_store_day(days, as_of, retention, least_days=least_days)
        if oldest is None:
            return Removed(dropped)
        there = [f"store/{name}" for name in self._copy.listed("store", DAY_FILE)]
        self._copy.forget(name for name in self._day_files(None) if day_of(name) < str(oldest))
        return Removed(dropped, bucket_retention.remove_store_days(self._bucket, there, oldest))

    def bring_run(self, day: str) -> Path:
        """Fetch tables and run.json of the run of `day`; return where it lies now.

        Raises
        ------
        RunGone
            It is named, and not there.
        """
        run = self.index.runs[day]
        folder, place = self.local / "runs" / publish.WHOLE / whole_name(run), self.local / "runs" / day
        if folder.is_dir() and is_copy_damaged(folder):
            shutil.rmtree(folder)  # a copy: the object store has it whole
        if not folder.is_dir():
            listed = self._copy.listed(run, TABLE)
            if "run.json" not in listed:
                raise RunGone(
                    f"{self._bucket.url}/{run}: is not there any more; run the night of {day} again"
                )
            fetched = f"runs/.building-{day}"
            shutil.rmtree(self.local / fetched, ignore_errors=True)
            private_files.private_folder(self.local / fetched)  # closed to others before anything is in it
            self._copy.bring(listed, fetched)
            folder.parent.mkdir(exist_ok=True)
            (self.local / fetched).rename(folder)
        publish.turn(place, Path(publish.WHOLE) / whole_name(run))
        return place

    def bring_rest(self) -> None:
        """Fetch the fleet's own model and the plans that nights remember; drop what was never published."""
        self._mirror(self.index.model, "model", MODEL)
        self._mirror("dispatch", "dispatch", PLAN)
        runs = {day: whole_name(run) for day, run in self.index.runs.items()}
        (self.local / "latest").unlink(missing_ok=True)
        for link in (self.local / "runs").glob("????-??-??"):
            if runs.get(link.name) != Path(os.readlink(link)).name:
                link.unlink()
        for folder in (self.local / "runs" / publish.WHOLE).glob("*"):
            if folder.name not in runs.values():
                shutil.rmtree(folder)

    def bring_store(self, days: Iterable[date] | None = None) -> None:
        """Have the store's files of these days, or of all, as they are in the object store."""
        wanted = None if days is None else {str(day) for day in days}
        listed = {
            name: entry
            for name, entry in self._copy.listed("store", DAY_FILE).items()
            if wanted is None or day_of(name) in wanted
        }
        self._copy.bring(listed, "store")
        self._copy.forget(
            name for name in self._day_files(wanted) if name.removeprefix("store/") not in listed
        )

    def keep_store(self, days: Iterable[date] | None = None) -> None:
        """Put the store's files of these days, or of all, back where they differ; remove what was replaced.

        In the order of `Store.put`, the counts last, so that a night killed in between is followed by one that
        redoes the day.
        """
        names = self._day_files(None if days is None else {str(day) for day in days})
        self._copy.send(sorted(names, key=lambda name: (day_of(name), turn_of(name))))
        folders = {name.rpartition("/")[0] for name in names}
        for folder in sorted(folders):
            there = self._bucket.listed(folder)
            self._bucket.remove(entry.name for entry in there if entry.name not in names)

    def bring_corrected(self) -> None:
        """Have the corrected rows and the tables beside them as they are in the object store; pages stay there."""
        listed = self._copy.listed(CORRECTED, CORRECTED_FILE)
        self._copy.bring(listed, CORRECTED)
        names = (name.removeprefix(f"{CORRECTED}/") for name in list(self._copy.files(CORRECTED)))
        self._copy.forget(
            f"{CORRECTED}/{name}" for name in names if CORRECTED_FILE.fullmatch(name) and name not in listed
        )

    def keep_corrected(self, days: Iterable[date] | None = None) -> str:
        """Put the files of these days, or all below the folder, where they differ; remove objects without a file.

        The record comes last, so that it isn't ahead of what it counts.
        """
        folders = [CORRECTED] if days is None else [f"{CORRECTED}/date={day}" for day in days]
        for folder in folders:
            names, last = list(self._copy.files(folder)), f"{CORRECTED}/{CORRECTED_LAST}"
            there = {entry.name: entry.tag for entry in self._bucket.listed(folder)}
            self._copy.send_changed((name for name in names if name != last), there)
            self._bucket.remove(sorted(there.keys() - names))
            self._copy.send_changed((name for name in names if name == last), there)
        return f"{self._bucket.url}/{CORRECTED}"

    def latest_day(self) -> date | None:
        """Return the day of the latest run."""
        return date.fromisoformat(self.index.latest) if self.index.latest else None

    def hand_in(
        self, run: Path, as_of: date, unshared: Collection[str] = (), *, turn_latest: bool = True
    ) -> str:
        """Send a run that is published in `local`, then turn the index to it; return its address.

        Files of the run named in `unshared`, relative to it, stay here. Without `turn_latest` the index names the run
        as its day's and leaves the latest as it is.

        Raises
        ------
        NightFailed
            It could not be sent, or another night has published: the index is as it was.
        """
        folder = run.resolve()
        name = f"runs/{as_of}/{folder.name.rpartition('-')[2]}"
        paths = sorted(path for path in folder.rglob("*") if path.is_file())
        paths = [path for path in paths if path.relative_to(folder).as_posix() not in unshared]

        def send(path: Path) -> None:
            self._bucket.put(f"{name}/{path.relative_to(folder)}", path)

        try:
            self._bucket.each(send, (path for path in paths if path.name != "run.json"))
            send(folder / "run.json")
        except (InputError, NightFailed) as error:
            raise type(error)(f"{error}; nothing was published") from None
        if self._lock:
            self._lock.check()
        opened = self.index
        try:
            self.index = bucket_index.turn(
                self._bucket, opened, lambda index: index.with_run(as_of, name, turn_latest=turn_latest)
            )
        except NightFailed as error:
            address = (
                ""
                if "nothing was published" in str(error)
                else "; latest.json says whether this night is published"
            )
            raise NightFailed(f"{error}{address}") from None
        with suppress(NightclampError):  # published all the same; a later night removes what is left
            self._tidy(as_of, {name, opened.runs.get(str(as_of), name)}, opened)
        return f"{self._bucket.url}/{name}"

    def hand_in_pages(self, folder: str, last: str = "") -> str:
        """Send the files of a folder, `last` after all others."""
        names = list(self._copy.files(folder))
        self._bucket.each(
            lambda name: self._bucket.put(name, self.local / name),
            (n for n in names if not n.endswith(f"/{last}")),
        )
        for name in (n for n in names if last and n.endswith(f"/{last}")):
            self._bucket.put(name, self.local / name)
        return f"{self._bucket.url}/{folder}"

    def pages(self, as_of: date) -> list[tuple[str, Collection[str]]]:
        """Return the folders below OUT with a page a home, and the pages' names."""
        places = (f"orders/{as_of}", f"{self.index.runs[str(as_of)]}/report/home")
        return [
            (place, {entry.name.rpartition("/")[2] for entry in self._bucket.listed(place)})
            for place in places
        ]

    def _day_files(self, days: Collection[str] | None) -> list[str]:
        """Return the names of the local store's files, of these days or of all."""
        names = (n for n in self._copy.files("store") if DAY_FILE.fullmatch(n.removeprefix("store/")))
        return [name for name in names if days is None or day_of(name) in days]

    def _mirror(self, below: str, folder: str, names: re.Pattern[str]) -> None:
        """Have in the local `folder` the objects below `below` with these names, and no other file."""
        listed = self._copy.listed(below, names) if below else {}
        self._copy.bring(listed, folder)
        current = {f"{folder}/{name}" for name in listed}
        self._copy.forget(name for name in list(self._copy.files(folder)) if name not in current)

    def _tidy(self, as_of: date, kept: set[str], opened: Index) -> None:
        """Remove what nothing names: of this day's runs all but `kept`, of days never published all."""
        days = {day for day in self._bucket.level("runs")[1] if day not in self.index.runs} | {str(as_of)}
        for day in sorted(days):
            there = self._bucket.listed(f"runs/{day}")
            self._bucket.remove(
                entry.name for entry in there if "/".join(entry.name.split("/")[:3]) not in kept
            )
        near = {whole_name(run) for run in kept} | {
            whole_name(opened.runs[day]) for day in [opened.before(as_of)] if day is not None
        }
        for link in (self.local / "runs").glob("????-??-??"):
            if Path(os.readlink(link)).name not in near:
                shutil.rmtree(link.resolve(), ignore_errors=True)
                link.unlink()
