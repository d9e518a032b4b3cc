"""OUT says its format: an older one is read and brought up to date, a newer one refused in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from s3_server import Server

from pipeline import __version__
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.storage import out_format
from pipeline.storage.bucket_index import Index, read_index, turn
from pipeline.storage.object_store import Bucket
from pipeline.storage.object_url import ObjectUrl
from pipeline.storage.out_format import FORMAT, bring_up_to_date, read_format
from pipeline.storage.output_location import hold_out, keep_model, read_out
from pipeline.storage.verify_out import Checked, verify_folder

SETTINGS = load_settings()


def write(out: Path, content: str) -> Path:
    out.mkdir(parents=True, exist_ok=True)
    (out / "format.json").write_text(content)
    return out


def test_an_out_without_the_file_is_of_the_first_format_and_becomes_ours_when_it_is_held(
    tmp_path: Path,
) -> None:
    assert read_format(tmp_path / "nowhere") == read_format(tmp_path) == 1
    with read_out(tmp_path, SETTINGS):
        assert not (tmp_path / "format.json").exists()

    with hold_out(tmp_path, SETTINGS):
        assert json.loads((tmp_path / "format.json").read_text()) == {
            "format": FORMAT,
            "nightclamp": __version__,
        }
    assert read_format(tmp_path) == FORMAT


def test_a_step_that_was_killed_is_done_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = []

    def step(out: Path) -> None:
        done.append(out)
        if len(done) == 1:
            raise KeyboardInterrupt

    monkeypatch.setattr(out_format, "_STEPS", {1: step})
    with pytest.raises(KeyboardInterrupt):
        bring_up_to_date(tmp_path)
    assert read_format(tmp_path) == 1

    bring_up_to_date(tmp_path)
    bring_up_to_date(tmp_path)
    assert read_format(tmp_path) == FORMAT
    assert done == [tmp_path, tmp_path]


def test_a_newer_out_is_refused_by_whoever_opens_it_and_stays_as_it_is(tmp_path: Path) -> None:
    newer = json.dumps({"format": FORMAT + 1, "nightclamp": "9.9.0"})
    out = write(tmp_path / "out", newer)
    for opened in (hold_out, read_out):
        with pytest.raises(InputError) as refused, opened(out, SETTINGS):
            pass
        assert str(refused.value) == (
            f"{out}: is of format {FORMAT + 1}, made by nightclamp 9.9.0; this is nightclamp {__version__}, which"
            f" reads up to {FORMAT}: install 9.9.0 or newer, or choose another --out"
        )
    with pytest.raises(InputError, match=r"install 9\.9\.0"):
        list(verify_folder(out, Checked()))
    with pytest.raises(InputError, match=r"install 9\.9\.0"):
        keep_model(out, SETTINGS, lambda folder: folder.mkdir())
    assert (out / "format.json").read_text() == newer
    assert not (out / "model").exists()


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "2", '{"format": "2"}', '{"format": true}', '{"format": 0}', "\xff" * 3, "[" * 9999],
)
def test_a_file_that_says_nothing_is_refused_with_what_to_do(tmp_path: Path, content: str) -> None:
    out = write(tmp_path / "out", content)

    with pytest.raises(InputError) as refused:
        read_format(out)

    assert str(refused.value).startswith(f"{out / 'format.json'}: ")
    assert str(refused.value).count("\n") == 0
    assert f'write {{"format": {FORMAT}}} into it' in str(refused.value)


def test_in_an_object_store_the_index_says_it(s3: Server) -> None:
    bucket = Bucket(ObjectUrl(s3.bucket, "out"), SETTINGS.object_store)
    old = {"latest": "", "run": "", "runs": {}, "model": ""}
    bucket.put("latest.json", json.dumps(old).encode())
    index, _ = read_index(bucket)
    assert index == Index()

    turn(bucket, index, lambda index: index.with_model(f"model/{'a' * 12}"))
    stored = bucket.read("latest.json")
    assert stored is not None
    content = json.loads(stored[0])
    assert (content["format"], content["nightclamp"]) == (FORMAT, __version__)

    newer = {"format": FORMAT + 1, "nightclamp": "9.9.0"}
    for odd, says in ((newer, r"install 9\.9\.0"), ({"format": None}, "which format")):
        bucket.put("latest.json", json.dumps({**content, **odd}).encode())
        with pytest.raises(InputError, match=says):
            read_index(bucket)
