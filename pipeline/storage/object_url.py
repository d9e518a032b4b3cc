"""Names of places in an object store: s3://bucket/prefix, and nothing secret in them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from pipeline.core.errors import InputError

_URL = re.compile(r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]+):/{1,2}(?P<rest>(?!/).*)", re.DOTALL)
_BUCKET = re.compile(r"[a-z0-9][a-z0-9.-]{1,61}[a-z0-9]")


@dataclass(frozen=True)
class ObjectUrl:
    """A place in an object store; `prefix` has no slash at either end and may be empty."""

    bucket: str
    prefix: str = ""

    def __str__(self) -> str:
        """Return s3://bucket/prefix."""
        return f"s3://{self.bucket}/{self.prefix}".rstrip("/")


def object_url(place: str | Path) -> ObjectUrl | None:
    """Return the place in an object store that `place` names, or None: it is a folder.

    A Path writes s3://bucket as s3:/bucket; both are read. A folder of that name is meant by its absolute path.

    Raises
    ------
    InputError
        Another kind of address than s3://, no bucket's name, or more than bucket and prefix. What may hold a key
        is not repeated.
    """
    matched = _URL.fullmatch(str(place))
    if matched is None:
        return None
    if re.search(r"[@?&=]", re.sub(r"date=\d{4}-\d\d-\d\d", "", matched["rest"])):
        raise InputError(
            "an object-store address holds only s3://bucket/prefix; credentials come from the environment,"
            " the AWS profile or the machine's role"
        )
    if matched["scheme"].lower() != "s3":
        raise InputError(
            f"{matched['scheme']}: no address that can be read; name a folder or s3://bucket/prefix"
        )
    bucket, _, prefix = matched["rest"].partition("/")
    parts = [part for part in prefix.split("/") if part]
    if not _BUCKET.fullmatch(bucket):
        raise InputError(f"{place}: '{bucket}' is not a bucket's name; write s3://bucket/prefix")
    if {".", ".."} & set(parts):
        raise InputError(f"{place}: '.' and '..' mean nothing in an object store; write s3://bucket/prefix")
    return ObjectUrl(bucket, "/".join(parts))
