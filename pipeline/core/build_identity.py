"""Which build this is: the version and a digest of the package's own source, the same for a checkout and its wheel."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from pipeline import __version__

PACKAGES = ("pipeline", "sql")
DIGITS = 12
# What Python, an editor or a reader adds to a folder without changing what a night computes.
_LEFT_OUT = ("__pycache__",)
_LEFT_OUT_ENDS = (".md", ".pyc")


@cache
def source_digest() -> str:
    """Return DIGITS hexadecimal digits that stand for every file of pipeline/ and sql/ but their documents."""
    digest = hashlib.blake2b(digest_size=DIGITS // 2)
    for name in PACKAGES:
        _add(digest, files(name), name)
    return digest.hexdigest()


def build_identity() -> str:
    """Return "1.4.0 (source 3f2a9c1e04d5)"."""
    return f"{__version__} (source {source_digest()})"


def _add(digest: hashlib.blake2b, folder: Traversable, name: str) -> None:
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.name.startswith(".") or entry.name in _LEFT_OUT or entry.name.endswith(_LEFT_OUT_ENDS):
            continue
        path = f"{name}/{entry.name}"
        if entry.is_dir():
            _add(digest, entry, path)
        else:
            content = entry.read_bytes()
            digest.update(f"{path} {len(content)}\0".encode() + content)
