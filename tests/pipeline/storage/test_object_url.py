"""What is an object store's address, what is a folder, and what is neither."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.errors import InputError
from pipeline.storage.object_url import ObjectUrl, object_url


@pytest.mark.parametrize(
    "text", ["s3://fleet/a/b", "s3:/fleet/a/b", "s3://fleet/a/b/", "S3://fleet/a//b", Path("s3://fleet/a/b")]
)
def test_an_address_is_read_however_its_slashes_fell(text: str | Path) -> None:
    url = object_url(text)
    assert url == ObjectUrl("fleet", "a/b")
    assert str(url) == "s3://fleet/a/b"
    assert object_url(str(url)) == url


@pytest.mark.parametrize("text", ["lake", "/data/s3/lake", "./s3", "C:/lake", "a:b", "s3", "s3:"])
def test_a_folder_is_none(text: str) -> None:
    assert object_url(text) is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("gs://fleet/a", "gs: no address that can be read; name a folder or s3://bucket/prefix"),
        ("https://fleet.example/a", "https: no address"),
        ("s3://Fleet/a", "'Fleet' is not a bucket's name"),
        ("s3://f", "'f' is not a bucket's name"),
        ("s3://fleet/a/../b", r"'.' and '..' mean nothing in an object store"),
    ],
)
def test_what_is_neither_is_refused(text: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        object_url(text)


@pytest.mark.parametrize(
    "text",
    [
        "s3://AKIAKEY:SECRET@fleet/a",
        "s3://fleet/a?AWS_SECRET_ACCESS_KEY=SECRET",
        "s3://fleet/a?X-Amz-Signature=SECRET&X-Amz-Credential=AKIAKEY",
        "https://fleet.example/a?X-Amz-Signature=SECRET",
    ],
)
def test_a_key_in_an_address_is_refused_and_not_repeated(text: str) -> None:
    with pytest.raises(InputError, match="credentials come from the environment") as refused:
        object_url(text)
    assert "SECRET" not in str(refused.value)
    assert "AKIA" not in str(refused.value)
