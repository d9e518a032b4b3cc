"""Older runs and days of the store in an object store: out of the index first, then their objects."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from s3_server import Server

from pipeline.core.setting_sections import ObjectStoreSettings
from pipeline.core.settings import load_settings
from pipeline.storage import publish
from pipeline.storage.bucket_out import BucketOut
from pipeline.storage.bucket_session import hold_bucket
from pipeline.storage.object_url import ObjectUrl

FIRST = date(2026, 3, 9)  # a Monday
SHORT = load_settings().retention.model_copy(update={"daily_days": 2, "weekly_days": 20, "store_days": 3})


@pytest.fixture
def own() -> ObjectStoreSettings:
    return load_settings().object_store


def publish_day(out: BucketOut, day: date) -> None:
    built = publish.building_folder(out.local, day)
    (built / "run.json").write_text(str(day))
    out.hand_in(publish.publish(built, out.local, day), day)
    for table in ("intake", "site_day"):
        path = out.local / "store" / table / f"date={day}" / f"{table}-0a.parquet"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(str(day))
    out.keep_store([day])


def test_runs_and_days_that_are_too_old_go_and_the_rest_is_there_for_another_machine(
    s3: Server, own: ObjectStoreSettings, tmp_path: Path
) -> None:
    url = ObjectUrl(s3.bucket, "out")
    days = [FIRST + timedelta(days=number) for number in range(6)]
    with hold_bucket(url, own) as out:
        for day in days:
            publish_day(out, day)
        removed = out.drop_old(days[-1], SHORT, least_days=1)
        assert removed.runs == tuple(days[:4])
        assert removed.store_days == tuple(days[:2])
        assert out.published() == days[4:]
        assert out.drop_old(days[-1], SHORT, least_days=1).runs == ()

    names = set(s3.objects(s3.bucket, "out"))
    assert {name.split("/")[1] for name in names if name.startswith("runs/")} == {
        str(day) for day in days[4:]
    }
    assert {name.split("/")[2] for name in names if name.startswith("store/")} == {
        f"date={day}" for day in days[2:]
    }
    elsewhere = own.model_copy(update={"cache": str(tmp_path / "other")})
    with hold_bucket(url, elsewhere) as out:
        assert out.published() == days[4:]
        assert (out.run_of(days[4]) / "run.json").read_text() == str(days[4])
