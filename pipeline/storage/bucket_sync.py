"""A local folder that holds what is needed of an object-store prefix: fetched if it differs, put back if it changed.

What is known of both sides lies in known.json beside the files: under which ETag a file was last the same as its
object, and its size and time then. A file that was touched since, or an object with another ETag, differs.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from pipeline.core.atomic_files import replacing, write_text
from pipeline.storage.object_store import Bucket, Stored

_KNOWN = "known.json"


class BucketCopy:
    """The folder `root`; names are relative, the same there and below the bucket's URL unless said otherwise."""

    def __init__(self, bucket: Bucket, root: Path) -> None:
        """Read what is known; a record that can't be read only means that all is fetched again."""
        self.bucket, self.root = bucket, root
        try:
            versions = json.loads((root / _KNOWN).read_text(encoding="utf-8"))
            self._known = {str(name): tuple(version) for name, version in versions.items()}
        except (OSError, ValueError, TypeError, AttributeError):
            self._known = {}

    def listed(self, below: str, names: re.Pattern[str]) -> dict[str, Stored]:
        """Return the objects below the folder `below` whose name from there on is one of `names`, by that name."""
        start = f"{below}/"
        entries = (
            (entry.name.removeprefix(start), entry)
            for entry in self.bucket.listed(below)
            if entry.name.startswith(start)
        )
        return {name: entry for name, entry in entries if names.fullmatch(name)}

    def bring(self, objects: dict[str, Stored], folder: str) -> None:
        """Have each object, by its name in the local `folder`, as a file that is the same. The names are safe."""
        differing = [(f"{folder}/{name}", entry) for name, entry in objects.items()]
        differing = [(name, entry) for name, entry in differing if not self._is_same(name, entry.tag)]

        def fetch(what: tuple[str, Stored]) -> None:
            name, entry = what
            path = self.root / name
            with replacing(path, is_synced=False) as part:
                self.bucket.fetch(entry, part)
            self._note(name, entry.tag)

        try:
            self.bucket.each(fetch, differing)
        finally:
            self._save()

    def send(self, names: Iterable[str]) -> None:
        """Put the files that differ from what was last seen of their objects, one after the other."""
        try:
            for name in names:
                if self._known.get(name, ("",))[1:] != self._seen(name):
                    self._note(name, self.bucket.put(name, self.root / name))
        finally:
            self._save()

    def send_changed(self, names: Iterable[str], there: Mapping[str, str]) -> None:
        """Put the files, several at once, that differ from their objects; `there` is each object's ETag by name."""

        def send(name: str) -> None:
            self._note(name, self.bucket.put(name, self.root / name))

        try:
            self.bucket.each(send, [name for name in names if not self._is_same(name, there.get(name, ""))])
        finally:
            self._save()

    def forget(self, names: Iterable[str]) -> None:
        """Remove local files."""
        for name in names:
            (self.root / name).unlink(missing_ok=True)
            self._known.pop(name, None)
        self._save()

    def files(self, folder: str) -> Iterator[str]:
        """Yield the names of the local files in a folder, sorted; what is hidden is left out, as half-written files."""
        below = self.root / folder
        paths = sorted(path.relative_to(below) for path in below.rglob("*") if path.is_file())
        yield from (
            f"{folder}/{path}" for path in paths if not any(part.startswith(".") for part in path.parts)
        )

    def _is_same(self, name: str, tag: str) -> bool:
        return self._known.get(name) == (tag, *self._seen(name))

    def _seen(self, name: str) -> tuple[int, int]:
        try:
            stat = (self.root / name).stat()
        except OSError:
            return -1, -1
        return stat.st_size, stat.st_mtime_ns

    def _note(self, name: str, tag: str) -> None:
        self._known[name] = (tag, *self._seen(name))

    def _save(self) -> None:
        """Write down what is known, of files that are still there."""
        versions = {
            name: list(version) for name, version in self._known.items() if (self.root / name).is_file()
        }
        write_text(self.root / _KNOWN, json.dumps(versions))
