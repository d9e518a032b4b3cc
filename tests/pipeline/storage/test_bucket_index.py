"""The index of an OUT in an object store is turned in one step, and only by who knows what it was."""

from __future__ import annotations

import json
from datetime import date

import pytest
from s3_server import Server

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.storage.bucket_index import NAME, Index, read_index, turn
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl

ONE, TWO = date(2026, 6, 1), date(2026, 6, 2)
RUNS = [f"runs/{ONE}/0123456789ab", f"runs/{TWO}/ba9876543210"]


@pytest.fixture
def bucket(s3: Server) -> Bucket:
    return Bucket(ObjectUrl(s3.bucket, "out"), load_settings().object_store)


def test_an_index_names_the_latest_and_each_days_run(bucket: Bucket) -> None:
    assert read_index(bucket) == (Index(), "")
    one = turn(bucket, Index(), lambda index: index.with_run(TWO, RUNS[1]))
    two = turn(bucket, one, lambda index: index.with_run(ONE, RUNS[0]))

    assert read_index(bucket)[0] == two == Index(str(ONE), {str(ONE): RUNS[0], str(TWO): RUNS[1]})
    assert two.before(TWO) == str(ONE)
    assert two.before(ONE) is None


def test_an_earlier_day_can_be_named_and_leave_the_latest(bucket: Bucket) -> None:
    one = turn(bucket, Index(), lambda index: index.with_run(TWO, RUNS[1]))

    turn(bucket, one, lambda index: index.with_run(ONE, RUNS[0], turn_latest=False))

    assert read_index(bucket)[0] == Index(str(TWO), {str(ONE): RUNS[0], str(TWO): RUNS[1]})
    content = bucket.read(NAME)
    assert content is not None
    assert json.loads(content[0])["run"] == RUNS[1]


def test_who_began_before_another_night_was_published_turns_nothing(bucket: Bucket) -> None:
    opened, _ = read_index(bucket)
    turn(bucket, opened, lambda index: index.with_run(ONE, RUNS[0]))
    with pytest.raises(
        NightFailed, match="another night has published here meanwhile; nothing was published"
    ):
        turn(bucket, opened, lambda index: index.with_run(TWO, RUNS[1]))
    assert read_index(bucket)[0].latest == str(ONE)


def test_a_night_that_is_published_between_look_and_put_wins(bucket: Bucket, s3: Server) -> None:
    opened, _ = read_index(bucket)

    def meanwhile() -> None:
        s3.troubles.clear()
        turn(bucket, opened, lambda index: index.with_run(ONE, RUNS[0]))

    s3.goes_wrong("wait", "PUT", f"/{NAME}", meet=meanwhile)
    with pytest.raises(NightFailed, match="published here meanwhile"):
        turn(bucket, opened, lambda index: index.with_run(TWO, RUNS[1]))
    assert read_index(bucket)[0].latest == str(ONE)


def test_a_model_that_was_trained_meanwhile_is_kept(bucket: Bucket) -> None:
    opened, _ = read_index(bucket)
    turn(bucket, opened, lambda index: index.with_model("model/0123456789ab"))
    now = turn(bucket, opened, lambda index: index.with_run(ONE, RUNS[0]))
    assert (now.model, now.latest) == ("model/0123456789ab", str(ONE))
    assert read_index(bucket)[0] == now


def test_a_lost_answer_to_the_turn_is_found_out(bucket: Bucket, s3: Server) -> None:
    s3.goes_wrong("answer_lost", "PUT", f"/{NAME}", 1)
    now = turn(bucket, Index(), lambda index: index.with_run(ONE, RUNS[0]))
    assert read_index(bucket)[0] == now


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        '{"latest": "", "runs": [], "model": ""}',
        '{"latest": "2026-06-01", "runs": {}, "model": ""}',
        '{"latest": "2026-06-01", "runs": {"2026-06-01": "runs/../../etc/passwd"}, "model": ""}',
        '{"latest": "2026-06-01", "runs": {"2026-06-01": "runs/2026-06-02/0123456789ab"}, "model": ""}',
        '{"latest": "", "runs": {}, "model": "model/../../x"}',
    ],
)
def test_an_index_that_is_none_is_refused(bucket: Bucket, text: str) -> None:
    bucket.put(NAME, text.encode())
    with pytest.raises(InputError, match=r"latest.json: not an index of runs; put the version before back"):
        read_index(bucket)
