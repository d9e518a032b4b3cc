"""What `nightclamp verify` finds in an OUT in an object store."""

from __future__ import annotations

from pathlib import Path

import pytest
from published_runs import DAYS, TABLE, publish_run
from s3_server import Server

from pipeline.core.settings import load_settings
from pipeline.storage.bucket_session import hold_bucket
from pipeline.storage.object_url import ObjectUrl
from pipeline.storage.verify_bucket import verify_bucket
from pipeline.storage.verify_out import Checked


@pytest.fixture
def url(s3: Server) -> ObjectUrl:
    """An OUT with a run of two days, one file of each kept private, and a store of one file."""
    url = ObjectUrl(s3.bucket, "out")
    with hold_bucket(url, load_settings().object_store) as out:
        for day in DAYS[:2]:
            out.hand_in(publish_run(out.local, day), day, {"private/site_contact.parquet"})
        path = out.local / "store" / "site_day" / "date=2026-06-12" / "x.parquet"
        path.parent.mkdir(parents=True)
        TABLE.write_parquet(path)
        out.keep_store()
    return url


def lines(url: ObjectUrl, checked: Checked | None = None) -> list[str]:
    own = load_settings().object_store
    return [problem.line() for problem in verify_bucket(url, own, checked or Checked())]


def key_of(s3: Server, day: object, name: str) -> str:
    return next(
        f"out/runs/{day}/{key}"
        for key in s3.objects(s3.bucket, f"out/runs/{day}")
        if key.endswith(f"/{name}")
    )


def test_what_was_sent_is_whole_though_private_files_stayed(url: ObjectUrl) -> None:
    checked = Checked()
    assert lines(url, checked) == []
    assert checked == Checked(runs=2, old_runs=0, files=2 * 5 + 1)


@pytest.mark.parametrize(
    ("name", "content", "told"),
    [
        ("standing.parquet", b"cut", r"not as it was published (3 of "),
        ("standing.parquet", None, "missing"),
        ("report/index.html", "same size", "changed since it was published"),
        ("run.json", b"{}", "not the record of a run (2 bytes)"),
        ("run.json", None, "missing"),
    ],
)
def test_a_damaged_object_is_one_line_with_the_night_to_run_again(
    url: ObjectUrl, s3: Server, name: str, content: bytes | str | None, told: str
) -> None:
    key = key_of(s3, DAYS[0], name)
    if content is None:
        s3.client().delete_object(Bucket=s3.bucket, Key=key)
    else:
        body = bytes(len(s3.objects(s3.bucket, key)[""])) if isinstance(content, str) else content
        s3.client().put_object(Bucket=s3.bucket, Key=key, Body=body)
    (line,) = lines(url)
    assert line.startswith(f"{key.removeprefix('out/')}: {told}")
    assert line.endswith(f": run `nightclamp nightly LAKE --out {url} --as-of {DAYS[0]}` again")


def test_a_broken_file_of_the_store_and_a_run_that_nothing_names_are_said(url: ObjectUrl, s3: Server) -> None:
    key = "out/store/site_day/date=2026-06-12/x.parquet"
    s3.client().put_object(Bucket=s3.bucket, Key=key, Body=b"half")
    s3.client().put_object(Bucket=s3.bucket, Key="out/runs/2026-01-01/0123456789ab/x", Body=b"x")
    orphan, broken = lines(url)
    assert orphan == "runs/2026-01-01: a run that latest.json does not name: nothing needs it, delete it"
    assert broken == (
        f"{Path(key).relative_to('out')}: can't be read (4 bytes): delete {url}/{Path(key).relative_to('out')},"
        " it is rebuilt"
    )


def test_a_run_without_digests_is_read(url: ObjectUrl, s3: Server) -> None:
    with hold_bucket(url, load_settings().object_store) as out:
        out.hand_in(publish_run(out.local, DAYS[2], has_digests=False), DAYS[2])
    checked = Checked()
    assert lines(url, checked) == []
    assert (checked.runs, checked.old_runs) == (3, 1)
    s3.client().put_object(Bucket=s3.bucket, Key=key_of(s3, DAYS[2], "standing.parquet"), Body=b"half")
    (line,) = lines(url)
    assert "standing.parquet: can't be read (4 bytes): run `nightclamp nightly" in line
