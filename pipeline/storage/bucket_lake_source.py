"""A lake in an object store: listed there, fetched file by file into the night's work folder.

An object's name is what somebody else chose: it is shown, and never names a file here.
"""

from __future__ import annotations

import shutil
import tempfile
import weakref
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.core.errors import NightFailed
from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.storage.cache_base import server_name
from pipeline.storage.lake_source import UTILITY, UTILITY_SUFFIXES, LakeFile, Partition
from pipeline.storage.object_store import Bucket, ReplacedError, Stored
from pipeline.storage.object_url import ObjectUrl

_TRIES = 3


class BucketSource:
    """An object-store prefix. It may be sent to another process, which then asks for credentials of its own."""

    def __init__(self, root: ObjectUrl, own: ObjectStoreSettings) -> None:
        """Remember the place; the store is opened when it is first asked."""
        self.root, self._own = root, own

    def __getstate__(self) -> dict[str, Any]:
        """Leave out connections, credentials and local copies."""
        return {"root": self.root, "_own": self._own}

    @property
    def place(self) -> str:
        """The address, and the server that it is of."""
        return f"{server_name()} {self.root}"

    @cached_property
    def _bucket(self) -> Bucket:
        return Bucket(self.root, self._own)

    @cached_property
    def _copies(self) -> Path:
        """A folder for the small files beside intervals/, which goes with this object."""
        folder = tempfile.mkdtemp(prefix="nightclamp-")
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)
        return Path(folder)

    @cached_property
    def _listed(self) -> dict[str, list[str]]:
        """What lies in intervals/ at the first look: name of an entry -> names below it, none for an object."""
        entries: dict[str, list[str]] = {}
        for stored in self._bucket.listed("intervals"):
            entry, _, name = stored.name.removeprefix("intervals").removeprefix("/").partition("/")
            if not name and not stored.size:  # the mark that some tools put for a folder
                continue
            entries.setdefault(entry, []).extend([name] if name else [])
        return entries

    @cached_property
    def _top(self) -> dict[str, Stored]:
        """The objects beside intervals/, by name."""
        return {entry.name: entry for entry in self._bucket.level()[0]}

    def has_intervals(self) -> bool:
        """Tell whether any object lies in intervals/."""
        return bool(self._listed)

    def partitions(self) -> list[Partition]:
        """Return what lies in intervals/, by name."""
        days = []
        for entry, names in sorted(self._listed.items()):
            inside = {name.partition("/")[0]: "/" not in name for name in names}
            days.append(Partition(entry, tuple(sorted(inside.items())) if names else None))
        return days

    def files(self, partition: str) -> list[LakeFile]:
        """Return the files in a partition as they are now; their `path` is not there before `bring`."""
        return self._inside(f"intervals/{partition}/")[0]

    def loose_files(self) -> list[LakeFile]:
        """Return the files that lie in intervals/ itself as they are now."""
        return self._inside("intervals/")[0]

    def utility(self) -> tuple[list[LakeFile], list[str]]:
        """Return the files in utility/ as they are now, and the names of folders in it."""
        return self._inside(f"{UTILITY}/")

    def _inside(self, folder: str) -> tuple[list[LakeFile], list[str]]:
        files, folders = [], set()
        for entry in self._bucket.listed(folder):
            name, slash, _ = entry.name.removeprefix(folder).partition("/")
            if not entry.name.startswith(folder) or not name:  # a mark for the folder itself
                continue
            if slash:
                folders.add(f"{folder}{name}")
            else:
                files.append(LakeFile(Path(entry.name), entry.name, entry.size, entry.modified_ns, entry.tag))
        return files, sorted(folders)

    def beside(self, name: str) -> Path | None:
        """Return a copy of the object `name` (one of ours: sites.csv and the like), fetched once."""
        path = self._copies / name
        for _ in range(_TRIES):
            if path.is_file():
                return path
            if name not in self._top:
                return None
            try:
                self._bucket.fetch(self._top[name], path)
            except ReplacedError:  # between the look and the reading
                path.unlink(missing_ok=True)
                del self._top
            except BaseException:
                path.unlink(missing_ok=True)
                raise
        raise NightFailed(f"{self.root}/{name}: keeps changing while it is read; run again when it is whole")

    def named(self, text: str) -> str:
        """Return the text with the copies' folder as the lake's address."""
        return text.replace(str(self._copies), str(self.root))

    def bring(self, file: LakeFile, workdir: Path, number: int) -> LakeFile:
        """Return the file with a copy in `workdir`, named by `number`.

        Raises
        ------
        ReplacedError
            The object is not the one that was listed any more.
        """
        suffix = next(suffix for suffix in UTILITY_SUFFIXES if file.name.endswith(suffix))
        path = workdir / f"fetched-{number:05d}{suffix}"
        self._bucket.fetch(Stored(file.name, file.size, file.tag, file.mtime_ns), path)
        return replace(file, path=path)

    def drop(self, file: LakeFile) -> None:
        """Remove the copy that `bring` made."""
        file.path.unlink(missing_ok=True)
