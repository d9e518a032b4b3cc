"""Damaged runs in an object store, and damaged copies of whole ones."""

from __future__ import annotations

import shutil
from datetime import date, timedelta

import pytest
from published_runs import DAYS, publish_run
from s3_server import Server

from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.core.settings import load_settings
from pipeline.storage.bucket_out import BucketOut
from pipeline.storage.bucket_session import hold_bucket
from pipeline.storage.object_url import ObjectUrl
from pipeline.storage.run_files import find_damage

DAY, NEXT = DAYS[:2]


@pytest.fixture
def own() -> ObjectStoreSettings:
    return load_settings().object_store


@pytest.fixture
def url(s3: Server) -> ObjectUrl:
    return ObjectUrl(s3.bucket, "out")


def hand_in(out: BucketOut, day: date) -> None:
    out.hand_in(publish_run(out.local, day), day)


def test_a_run_that_is_damaged_is_passed_over_and_a_damaged_copy_is_fetched_again(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server
) -> None:
    with hold_bucket(url, own) as out:
        hand_in(out, DAY)
        hand_in(out, NEXT)
        later = NEXT + timedelta(days=1)
        copy = out.earlier_run(later, ["standing"]).folder
        assert copy is not None
        for damaged in ("standing.parquet", "run.json"):
            (copy / damaged).write_text("")
            again = out.earlier_run(later, ["standing"])
            assert again.passed_over == ()
            assert find_damage(copy, ["standing.parquet"]) == []
        key = next(name for name in s3.objects(s3.bucket, f"out/runs/{NEXT}") if "standing" in name)
        s3.client().put_object(Bucket=s3.bucket, Key=f"out/runs/{NEXT}/{key}", Body=b"standing")
        size = (copy / "standing.parquet").stat().st_size
        shutil.rmtree(copy.resolve())
        chosen = out.earlier_run(later, ["standing"])
        assert chosen.folder is not None
        assert chosen.folder.name == str(DAY)
        assert chosen.passed_over == (f"runs/{NEXT}/standing.parquet: cut short (8 of {size:,} bytes)",)
        for name in s3.objects(s3.bucket, f"out/runs/{DAY}"):
            s3.client().delete_object(Bucket=s3.bucket, Key=f"out/runs/{DAY}/{name}")
        shutil.rmtree(chosen.folder.resolve())
        gone = out.earlier_run(later, ["standing"])
        assert gone.folder is None
        assert len(gone.passed_over) == 2
        assert "is not there any more" in gone.passed_over[1]


def test_a_run_that_is_not_the_latest_is_there_under_its_day(
    url: ObjectUrl, own: ObjectStoreSettings, s3: Server
) -> None:
    with hold_bucket(url, own) as out:
        assert out.latest_day() is None
        hand_in(out, NEXT, "newest")
    with hold_bucket(url, own) as out:
        assert out.latest_day() == NEXT
        built = publish.building_folder(out.local, DAY)
        (built / "run.json").write_text("run.json earlier")
        run = publish.publish(built, out.local, DAY, turn_latest=False)
        out.hand_in(run, DAY, turn_latest=False)
        assert out.latest_day() == NEXT
    assert published(s3) == whole("newest")
    with hold_bucket(url, own) as out:
        before = out.earlier_run(NEXT)
        assert before is not None
        assert (before / "run.json").read_text() == "run.json earlier"
