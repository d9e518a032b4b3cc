"""OUT as the commands see it: a folder, or the local working copy of one in an object store."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import date
from pathlib import Path
from typing import Protocol

from pipeline.core.setting_sections import RetentionSettings
from pipeline.core.settings import Settings
from pipeline.storage import publish
from pipeline.storage.bucket_session import hold_bucket, read_bucket, send_model
from pipeline.storage.earlier_run import EarlierRun, choose_earlier
from pipeline.storage.layout import CORRECTED, own_model_folder
from pipeline.storage.object_url import object_url
from pipeline.storage.out_format import bring_up_to_date, read_format
from pipeline.storage.retention import (
    Removed,
    drop_runs,
    drop_store_days,
    oldest_store_day,
    published_days,
)
from pipeline.storage.run_files import refuse_unpublished


class Out(Protocol):
    """A held OUT; what is in `local` lies as nightly/README.md says of OUT."""

    @property
    def local(self) -> Path:
        """The folder to read and write in."""

    def named(self, text: str) -> str:
        """Return the text with the local folder as people call it."""

    def earlier_run(self, day: date, tables: Collection[str]) -> EarlierRun:
        """Return the newest published run before `day` of which these tables are whole, and what is passed over."""

    def latest_run(self) -> Path:
        """Return the latest published run, its tables readable.

        Raises
        ------
        InputError
            There is none.
        """

    def published(self) -> list[date]:
        """Return the days that have a run, oldest first."""

    def run_of(self, day: date) -> Path:
        """Return the run of a published day, its tables readable."""

    def drop_old(self, as_of: date, retention: RetentionSettings, *, least_days: int) -> Removed:
        """Remove the runs and days of the store that are no longer kept once `as_of` is published.

        Days of the store go by the age from the newest run, when that is of `as_of`; never the last `least_days`.
        """

    def bring_store(self, days: Iterable[date] | None = None) -> None:
        """Have the store's files of these days, or of all, in `local`."""

    def keep_store(self, days: Iterable[date] | None = None) -> None:
        """Keep the store's files of these days, or of all, as they are in `local` now."""

    def bring_corrected(self) -> None:
        """Have the corrected rows, and the tables beside them, in `local`."""

    def keep_corrected(self, days: Iterable[date] | None = None) -> str:
        """Keep what lies in the folder of corrected rows, of these days or all of it, as it is in `local` now.

        Of all, the record comes last. Return where people find it.
        """

    def latest_day(self) -> date | None:
        """Return the day of the latest published run; None if there is none."""

    def hand_in(
        self, run: Path, as_of: date, unshared: Collection[str] = (), *, turn_latest: bool = True
    ) -> str:
        """Publish a run that lies published in `local`, as the latest too or not; return where people find it.

        Files of the run named in `unshared`, relative to it, stay on this machine.
        """

    def hand_in_pages(self, folder: str, last: str = "") -> str:
        """Keep the files of a folder of `local`, `last` after all others; return where."""

    def pages(self, as_of: date) -> list[tuple[str, Collection[str]]]:
        """Return the folders below OUT with a page a home, orders before the run's pages, and the pages' names."""


class FolderOut:
    """A folder on disk: everything lies where it is wanted."""

    def __init__(self, folder: Path) -> None:
        """Stand for `folder`."""
        self.local = folder

    def named(self, text: str) -> str:
        """Return the text as it is."""
        return text

    def earlier_run(self, day: date, tables: Collection[str]) -> EarlierRun:
        """Return the newest published run before `day` of which these tables are whole."""
        return choose_earlier(self.local, day, tables)

    def latest_run(self) -> Path:
        """Return where OUT/latest leads to."""
        refuse_unpublished(self.local)
        return self.local / "latest"

    def published(self) -> list[date]:
        """Return the days that have a run, oldest first."""
        return published_days(self.local)

    def run_of(self, day: date) -> Path:
        """Return where the run of a published day is."""
        return self.local / "runs" / str(day)

    def drop_old(self, as_of: date, retention: RetentionSettings, *, least_days: int) -> Removed:
        """Remove what is no longer kept."""
        runs = drop_runs(self.local, as_of, retention)
        oldest = oldest_store_day(self.published(), as_of, retention, least_days=least_days)
        return Removed(runs, () if oldest is None else drop_store_days(self.local / "store", oldest))

    def bring_corrected(self) -> None:
        """Do nothing: the rows lie there."""

    def keep_corrected(self, days: Iterable[date] | None = None) -> str:
        """Return where the rows lie."""
        return str(self.local / CORRECTED)

    def bring_store(self, days: Iterable[date] | None = None) -> None:
        """Do nothing: the store lies there."""

    def keep_store(self, days: Iterable[date] | None = None) -> None:
        """Do nothing: the store lies there."""

    def latest_day(self) -> date | None:
        """Return the day of the run that OUT/latest leads to."""
        return publish.latest_day(self.local)

    def hand_in(
        self, run: Path, as_of: date, unshared: Collection[str] = (), *, turn_latest: bool = True
    ) -> str:
        """Return where the run is: on this machine, all of it."""
        return str(run)

    def hand_in_pages(self, folder: str, last: str = "") -> str:
        """Return where the pages are."""
        return str(self.local / folder)

    def pages(self, as_of: date) -> list[tuple[str, Collection[str]]]:
        """Return the folders with a page a home, and the pages' names."""
        places = (f"orders/{as_of}", f"runs/{as_of}/report/home")
        return [(place, {path.name for path in (self.local / place).glob("*.html")}) for place in places]


def hold_out(out: Path, settings: Settings) -> AbstractContextManager[Out]:
    """Hold OUT for one night.

    Raises
    ------
    InputError
        OUT is not one (`odd_out`), or of a newer version; or the object store refuses or has no such bucket.
    NightFailed
        Another night is at work here, or the object store doesn't answer.
    OSError
        OUT can't be written.
    """
    url = object_url(out)
    return _hold_folder(out) if url is None else hold_bucket(url, settings.object_store)


def read_out(out: Path, settings: Settings) -> AbstractContextManager[Out]:
    """Have the latest published run of OUT, and the fleet's own model, in a folder to read.

    Raises
    ------
    InputError
        OUT is of a newer version of the program; nothing is published in an object store's OUT, or it refuses. (What a
        folder lacks, its readers say.)
    NightFailed
        The object store doesn't answer.
    """
    url = object_url(out)
    return _read_folder(out) if url is None else read_bucket(url, settings.object_store)


def keep_model(out: Path, settings: Settings, write: Callable[[Path], None]) -> str:
    """Have `write` put the fleet's own model into a folder, and keep that in OUT; return where it is."""
    url = object_url(out)
    if url is None:
        read_format(out)
        write(own_model_folder(out))
        return str(own_model_folder(out))
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as folder:
        write(Path(folder))
        return send_model(url, settings.object_store, Path(folder))


@contextmanager
def _hold_folder(out: Path) -> Iterator[Out]:
    with publish.only_night(out):
        bring_up_to_date(out)
        yield FolderOut(out)


@contextmanager
def _read_folder(out: Path) -> Iterator[Out]:
    read_format(out)
    yield FolderOut(out)
