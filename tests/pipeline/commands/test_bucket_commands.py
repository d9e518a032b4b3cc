"""The commands on an object store: what they say and end with, one killed, two at once, plans and orders kept there."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, SITES, build_lake, put, rows
from s3_server import KEY, SECRET, Server

from pipeline.commands import cli
from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import save_model
from pipeline.storage.output_location import keep_model

ROOT = Path(__file__).parents[3]
SECOND = DAY + timedelta(days=1)
# More homes than the shipped settings would list, so that there is something to plan and to order.
SETTINGS = """
[verdict]
suspect = 0.0001
sound = 0.0001
base_rate = 0.5
[ranking]
least_likelihood = 0.0
least_nights = 0
needless_visit_cost = 0.0
labour_rate_h = 0.0
"""


@pytest.fixture
def place(s3: Server, tmp_path: Path, model: Model) -> str:
    """Address of the bucket, with a lake below fleet/ whose home b is wrong at night."""
    root = build_lake(tmp_path / "lake")
    for day in (DAY, SECOND):
        put(root, "a.parquet", rows("a", day), day)
        put(root, "b.parquet", rows("b", day, l1_w=-250.0, l2_w=-200.0), day)
    (root / "trucks.csv").write_text("truck_id,area,hours\nt1,north,8\n")
    save_model(model, tmp_path / "model")
    (tmp_path / "own.toml").write_text(SETTINGS)
    s3.upload(root, s3.bucket, "fleet")
    return f"s3://{s3.bucket}"


def night_words(place: str, tmp_path: Path, as_of=SECOND) -> list[str]:
    own = ["--model", str(tmp_path / "model"), "--settings", str(tmp_path / "own.toml")]
    return ["nightly", f"{place}/fleet", "--out", f"{place}/out", "--as-of", str(as_of), *own]


def command(*words: str) -> int:
    with pytest.raises(SystemExit) as left:
        cli.main(list(words))
    return int(left.value.code or 0)


def start(words: list[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.commands.cli", *words],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def index_of(s3: Server) -> dict:
    return json.loads(s3.objects(s3.bucket, "out/latest.json").get("", b"{}"))


@pytest.mark.parametrize(
    ("lake", "told"),
    [
        (
            "s3://nobodys-bucket/fleet",
            "s3://nobodys-bucket/fleet: no bucket 'nobodys-bucket' there; check the name",
        ),
        ("{place}/nothing", "{place}/nothing: no sites.csv or sites.parquet; put the register there"),
        ("gs://fleet/x", "gs: no address that can be read; name a folder or s3://bucket/prefix"),
        ("s3://KEY:SECRET@fleet/x", "credentials come from the environment"),
    ],
)
def test_a_lake_that_is_not_there_is_one_line_and_status_2(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], lake: str, told: str
) -> None:
    for words in (
        ["check", lake.format(place=place)],
        ["nightly", lake.format(place=place), "--out", f"{place}/out"],
    ):
        assert command(*words) == 2
        said = capsys.readouterr().err
        assert told.format(place=place) in said
        assert said.count("\n") == 1
        assert "SECRET" not in said


def test_wrong_keys_are_one_line_and_status_2(
    place: str, s3: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for part in ("/fleet", "/out/night.lock"):
        s3.goes_wrong("refused", "GET", part, 999)
        s3.goes_wrong("refused", "PUT", part, 999)
        assert command(*night_words(place, tmp_path)) == 2
        said = capsys.readouterr()
        assert "access refused (status 403 SignatureDoesNotMatch); check the AWS credentials" in said.err
        assert said.err.count("\n") == 1
        for secret in (KEY, SECRET):
            assert secret not in said.err + said.out
        s3.troubles.clear()
    assert index_of(s3) == {}


def test_plans_orders_and_stories_are_kept_there_and_the_next_night_knows_them(
    place: str, s3: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert command(*night_words(place, tmp_path, DAY)) in (0, 3)
    printed = capsys.readouterr().out
    assert f"results: {place}/out/{index_of(s3)['run']}" in printed
    own = ("--settings", str(tmp_path / "own.toml"), "--out", f"{place}/out")

    assert command("explain", "b", "--model", str(tmp_path / "model"), *own) == 0
    assert capsys.readouterr().out.startswith("Home b,")
    assert command("orders", *own) == 0
    assert f"{place}/out/orders/{DAY}" in capsys.readouterr().out
    assert command("dispatch", f"{place}/fleet", *own) == 0
    assert f"kept: {place}/out/dispatch/{DAY}" in capsys.readouterr().out
    assert command("dispatch", f"{place}/fleet", "--trucks", "2", *own) == 2
    assert f"{place}/fleet/trucks.csv says which trucks there are" in capsys.readouterr().err
    s3.client().put_object(Bucket=s3.bucket, Key="fleet/trucks.csv", Body=b"truck_id,hours\nt1,many\n")
    assert command("dispatch", f"{place}/fleet", *own) == 2
    assert capsys.readouterr().err.startswith(f"nightclamp: {place}/fleet/trucks.csv")

    made = s3.objects(s3.bucket, "out")
    orders = {name for name in made if name.startswith(f"orders/{DAY}/") and "/forms/" not in name}
    assert orders
    planned = pl.read_parquet(made[f"dispatch/{DAY}/dispatch.parquet"])
    listed = pl.read_parquet(made[f"{index_of(s3)['run']}/revisit_list.parquet"])
    # what the model takes home a for, a setting may correct: trucks go where the list says visit
    visits = listed.filter(pl.col("fix_by") == "visit")["site_id"].to_list()
    assert sorted(planned["site_id"]) == sorted(visits)
    assert "b" in visits
    pages = b"".join(made[name] for name in made if name.startswith(f"dispatch/{DAY}/"))
    sheets = {name for name in orders if Path(name).stem.rsplit("-", 1)[0] in visits}
    assert sheets
    assert all(f"../../{name}".encode() in pages for name in sheets)
    assert command(*night_words(place, tmp_path)) in (0, 3)
    standing = pl.read_parquet(s3.objects(s3.bucket, "out")[f"{index_of(s3)['run']}/standing.parquet"])
    now = dict(standing.select("site_id", "standing").iter_rows())
    assert {site for site, where in now.items() if where == "visit planned"} == set(visits)


def test_a_model_of_the_fleets_own_is_kept_there_and_found_by_the_night(
    place: str, s3: Server, model: Model
) -> None:
    """This one was compared with nothing, so the night says why it takes the shipped one."""
    own = load_settings()
    kept = keep_model(Path(f"{place}/out"), own, lambda folder: save_model(model, folder))
    assert kept == f"{place}/out/{index_of(s3)['model']}"
    result = run_night(NightRequest(Path(f"{place}/fleet"), Path(f"{place}/out"), DAY), own)
    assert "the fleet's own was not compared with it" in result.model_note
    assert kept.endswith(index_of(s3)["model"])
    assert index_of(s3)["latest"] == str(DAY)


@pytest.mark.heavy
@pytest.mark.parametrize("part", ["/out/store/site_day", "/report/", "/out/latest.json"])
def test_a_night_killed_while_it_sends_leaves_latest_as_it_was_and_may_run_again_at_once(
    place: str, s3: Server, tmp_path: Path, part: str
) -> None:
    """Another machine has to wait until the dead night's lock runs out."""
    reached, go_on = threading.Event(), threading.Event()

    def hold_up() -> None:
        reached.set()
        go_on.wait(20)

    s3.goes_wrong("reset", "PUT", part, meet=hold_up)
    victim = start(night_words(place, tmp_path))
    assert reached.wait(60), victim.communicate()
    victim.send_signal(signal.SIGKILL)
    victim.communicate()
    go_on.set()
    assert index_of(s3) == {}

    own = load_settings()
    elsewhere = own.object_store.model_copy(update={"cache": str(tmp_path / "elsewhere")})
    request = NightRequest(Path(f"{place}/fleet"), Path(f"{place}/out"), SECOND, model=tmp_path / "model")
    with pytest.raises(Exception, match="another night is at work here"):
        run_night(request, own.model_copy(update={"object_store": elsewhere}))
    run_night(request, own)
    assert index_of(s3)["latest"] == str(SECOND)
    runs = {"/".join(name.split("/")[:2]) for name in s3.objects(s3.bucket, "out/runs")}
    assert runs == {index_of(s3)["run"].removeprefix("runs/")}


@pytest.mark.heavy
def test_a_second_night_stops_with_one_line_and_the_first_goes_on(
    place: str,
    s3: Server,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """On the same machine, and on another."""
    reached, go_on = threading.Event(), threading.Event()
    s3.goes_wrong("wait", "PUT", "/report/", meet=lambda: reached.set() or go_on.wait(30))
    monkeypatch.setenv("NIGHTCLAMP_OBJECT_STORE__ANSWER_S", "40")
    first = start(night_words(place, tmp_path))
    assert reached.wait(60), first.communicate()
    for machine in ("cache", "elsewhere"):
        monkeypatch.setenv("NIGHTCLAMP_OBJECT_STORE__CACHE", str(tmp_path / machine))
        assert command(*night_words(place, tmp_path)) == 1
        said = capsys.readouterr().err
        assert f"{place}/out: another night is at work here" in said
        assert said.count("\n") == 1
    go_on.set()
    assert first.communicate()[1] == ""
    assert first.returncode in (0, 3)
    assert index_of(s3)["latest"] == str(SECOND)


def test_homes_named_to_hurt_stay_in_their_folder(place: str, s3: Server, tmp_path: Path) -> None:
    """Site ids become pages' names, and those become objects' names."""
    sites = SITES.replace("\na,", '\n"../../x",').replace("\nb,", '\n"é ü/%2e%2e?#",')
    s3.client().put_object(Bucket=s3.bucket, Key="fleet/sites.csv", Body=sites.encode())
    for day in (DAY, SECOND):
        body = pl.concat([rows("../../x", day, l1_w=-250.0), rows("é ü/%2e%2e?#", day, l1_w=-250.0)])
        put(tmp_path / "lake", "a.parquet", body, day)
    s3.upload(tmp_path / "lake" / "intervals", s3.bucket, "fleet/intervals")
    assert command(*night_words(place, tmp_path)) in (0, 3)
    assert command("orders", "--out", f"{place}/out") == 0
    names = s3.objects(s3.bucket)
    pages = [name for name in names if name.startswith(f"out/{index_of(s3)['run']}/report/home/")]
    assert len(pages) == 2
    assert all(name.startswith(("out/", "fleet/")) and ".." not in name for name in names)
