"""An S3 server for the tests that ask for it: started once, an empty bucket and an impatient client for each."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from pathlib import Path

import pytest

_NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def s3_server() -> Iterator[object]:
    from s3_server import Server

    server = Server()
    server.start()
    yield server
    server.stop()


@pytest.fixture
def s3(s3_server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[object]:
    """The server, its `bucket` empty; the environment leads every client of this test there."""
    from s3_server import KEY, SECRET

    for name in ("AWS_PROFILE", "AWS_ENDPOINT_URL_S3", "AWS_SESSION_TOKEN", "AWS_SKIP_SIGNATURE"):
        monkeypatch.delenv(name, raising=False)
    own = {"TRIES": "4", "GIVE_UP_S": "5", "FIRST_WAIT_S": "0.02", "LONGEST_WAIT_S": "0.1", "ANSWER_S": "2"}
    own |= {"CACHE": str(tmp_path / "cache")}
    for name, value in own.items():
        monkeypatch.setenv(f"NIGHTCLAMP_OBJECT_STORE__{name}", value)
    place = {
        "AWS_ENDPOINT_URL": s3_server.url,
        "AWS_ACCESS_KEY_ID": KEY,
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_REGION": "us-east-1",
        "AWS_CONFIG_FILE": str(tmp_path / "no-config"),
        "AWS_SHARED_CREDENTIALS_FILE": str(tmp_path / "no-credentials"),
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    for name, value in place.items():
        monkeypatch.setenv(name, value)
    s3_server.bucket = f"fleet-{next(_NUMBERS)}"
    s3_server.troubles.clear()
    s3_server.asked.clear()
    s3_server.client().create_bucket(Bucket=s3_server.bucket)
    yield s3_server
    s3_server.troubles.clear()
