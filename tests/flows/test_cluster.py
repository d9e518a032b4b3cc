"""A night on a real cluster of two worker processes, one killed midway, is the single machine's night row for row."""

from __future__ import annotations

import json
import os
import re
import signal
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl
import pytest
from distributed import Client, LocalCluster
from distributed.comm import tcp
from prefect import State
from s3_server import KEY, SECRET, Server

from flows import cluster as module
from flows.cluster import batches, worker_facts
from flows.night_flow import nightly
from flows.nightly import main
from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night

SHARDS, DAYS = 4, 5
WORKERS_KEY, WORKERS_SECRET = "AKIAFAKEFORWORKERS00", "fake/secret+of+the/workers00000000000000"
STATISTICS = "site_day/date=*/*.parquet"


def started(workers: int) -> LocalCluster:
    return LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=True,
        dashboard_address="127.0.0.1:0",
        memory_limit=0,
    )


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two workers without a key for any object store."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_PROFILE"):
            patch.delenv(name, raising=False)
        for name in ("AWS_CONFIG_FILE", "AWS_SHARED_CREDENTIALS_FILE"):
            patch.setenv(name, os.devnull)
        patch.setenv("AWS_EC2_METADATA_DISABLED", "true")
        two = started(2)
    with two:
        yield two


@pytest.fixture(scope="module")
def single(nights: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory) -> Iterator[NightResult]:
    """The night of the lake on one machine; it and those beside it draw one home's page."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "1")
        yield run_night(NightRequest(nights.lake, tmp_path_factory.mktemp("single")), load_settings())


def kill_a_worker(address: str, store: Path, told: dict[str, int], is_over: threading.Event) -> None:
    """Wait until some shards are done and a worker has a task, then kill that worker as the machine would go down."""
    with Client(address, set_as_default=False) as client:
        pids = client.run(os.getpid)
        while not is_over.wait(0.01):
            done = len(list(store.glob(STATISTICS)))
            busy = [worker for worker, keys in client.processing().items() if keys]
            if done >= 2 and busy:
                os.kill(pids[busy[0]], signal.SIGKILL)
                told |= {"done": done, "pid": pids[busy[0]]}
                return


@pytest.mark.heavy
def test_a_night_with_a_worker_killed_midway_is_the_single_machines_row_for_row(
    nights: SimpleNamespace,
    single: NightResult,
    cluster: LocalCluster,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_CLUSTER__MOST_PIECES", "1")
    monkeypatch.setenv("NIGHTCLAMP_LAKE__HOMES_PER_SHARD", "2")
    out, told, is_over = tmp_path / "out", dict[str, int](), threading.Event()
    killer = threading.Thread(
        target=kill_a_worker, args=(cluster.scheduler_address, out / "store", told, is_over)
    )
    killer.start()

    try:
        folder = nightly(str(nights.lake), str(out), dask=cluster.scheduler_address)
    finally:
        is_over.set()
        killer.join()

    assert 2 <= told["done"] < SHARDS * DAYS
    assert len(list((out / "store").glob(STATISTICS))) == SHARDS * DAYS
    tables = sorted(path.name for path in single.folder.glob("*.parquet"))
    assert {"site_scores.parquet", "revisit_list.parquet", "rejects.parquet", "site_daily.parquet"} <= set(
        tables
    )
    for name in tables:
        ours, theirs = pl.read_parquet(single.folder / name), pl.read_parquet(Path(folder) / name)
        assert theirs.equals(ours), name
    counts = json.loads((Path(folder) / "run.json").read_text())["counts"]
    assert counts == single.counts
    assert counts["rows_in"] == counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]
    assert not list((out / "store").rglob("*.part"))
    assert not (out / "store" / ".work").exists()

    # One store: the single machine finds nothing left to do in what the cluster worked out.
    monkeypatch.delenv("NIGHTCLAMP_LAKE__HOMES_PER_SHARD")
    again = run_night(NightRequest(nights.lake, out), load_settings())
    assert again.fresh_days == 0


class Wire:
    """What goes between this process, where scheduler and client are, and the workers."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.sent: list[bytes] = []
        honest = tcp.to_frames

        async def noted(message: Any, **how: Any) -> Any:
            frames = await honest(message, **how)
            self.sent.append(b"".join(bytes(frame) for frame in frames))
            return frames

        patch.setattr(tcp, "to_frames", noted)

    def holds(self, text: str) -> bool:
        return any(text.encode() in sent for sent in self.sent)


@pytest.fixture
def with_keys(s3: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[LocalCluster]:
    """A worker that finds keys of its own, others than the flow's, in a file of its own."""
    own = tmp_path / "credentials-of-workers"
    own.write_text(f"[default]\naws_access_key_id={WORKERS_KEY}\naws_secret_access_key={WORKERS_SECRET}\n")
    with monkeypatch.context() as patch:
        patch.delenv("AWS_ACCESS_KEY_ID")
        patch.delenv("AWS_SECRET_ACCESS_KEY")
        patch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(own))
        one = started(1)
    with one:
        yield one


@pytest.mark.heavy
def test_a_lake_in_an_object_store_gives_the_tables_of_the_folder_and_no_key_is_sent(
    nights: SimpleNamespace,
    single: NightResult,
    with_keys: LocalCluster,
    s3: Server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_LAKE__HOMES_PER_SHARD", "4")
    s3.upload(nights.lake, s3.bucket, "fleet")
    s3.asked.clear()
    s3.signed_by.clear()
    wire = Wire(monkeypatch)

    folder = Path(nightly(f"s3://{s3.bucket}/fleet", str(tmp_path / "out"), dask=with_keys.scheduler_address))

    tables = sorted(path.name for path in single.folder.glob("*.parquet"))
    assert tables == sorted(path.name for path in folder.glob("*.parquet"))
    for name in tables:
        ours, theirs = pl.read_parquet(single.folder / name), pl.read_parquet(folder / name)
        assert theirs.equals(ours), name
    # The flow and the workers each sign with their own key, and all rows were fetched by workers.
    asked = list(zip(s3.asked, s3.signed_by, strict=True))
    assert {key for _, key in asked} == {KEY, WORKERS_KEY}
    fetched = {key for (way, path), key in asked if way == "GET" and "/fleet/intervals/" in path}
    assert fetched == {WORKERS_KEY}
    assert wire.holds(s3.bucket)
    told = caplog.text + "".join(capfd.readouterr())
    kept = [path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file()]
    for secret in (KEY, SECRET, WORKERS_KEY, WORKERS_SECRET):
        assert not wire.holds(secret)
        assert secret not in told
        assert not any(secret.encode() in content for content in kept)


@pytest.mark.heavy
def test_workers_without_credentials_are_named_before_the_night(
    server: None, cluster: LocalCluster, nights: SimpleNamespace, s3: Server, tmp_path: Path
) -> None:
    s3.upload(nights.lake, s3.bucket, "fleet")

    state: State[str] = nightly(
        f"s3://{s3.bucket}/fleet", str(tmp_path / "out"), dask=cluster.scheduler_address, return_state=True
    )

    assert re.fullmatch(
        rf"--dask {cluster.scheduler_address}: worker tcp://\S+: s3://{s3.bucket}/fleet: no usable AWS credentials"
        r" or settings found; check the AWS credentials \(environment, profile or role\) and what they may do",
        str(state.message),
    )
    assert not list((tmp_path / "out").rglob("*.parquet"))


@pytest.mark.heavy
def test_a_worker_that_does_not_see_the_lake_or_has_other_versions_is_said_before_the_night(
    nights: SimpleNamespace, cluster: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "__version__", "0.0.0")

    state: State[str] = nightly(
        str(nights.lake), str(tmp_path / "out"), dask=cluster.scheduler_address, return_state=True
    )

    assert state.is_failed()
    assert ", here 0.0.0; install the same" in str(state.message)
    with Client(cluster.scheduler_address, set_as_default=False) as client:
        told = client.run(worker_facts, (nights.lake, tmp_path / "elsewhere"))
    with pytest.raises(InputError, match=r"does not see .*elsewhere"):
        module._check_alike(told, cluster.scheduler_address)
    with pytest.raises(InputError, match=r"worker w lacks what is here .*install nightclamp\[dask\] there"):
        module._check_alike({"w": ModuleNotFoundError("No module named 'flows'")}, "tcp://here:1")


def test_a_scheduler_that_does_not_answer_is_one_line(
    server: None,
    nights: SimpleNamespace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_CLUSTER__CONNECT_S", "0.5")
    words = ["--lake", str(nights.lake), "--out", str(tmp_path / "out"), "--once"]

    with pytest.raises(SystemExit) as left:
        main([*words, "--dask", "tcp://127.0.0.1:1"])

    assert left.value.code == 2
    (line,) = [line for line in capsys.readouterr().err.splitlines() if line.startswith("nightclamp: ")]
    assert line.startswith("nightclamp: --dask tcp://127.0.0.1:1: no Dask scheduler answers there")
    assert not (tmp_path / "out" / "latest").exists()


@pytest.mark.parametrize(
    ("pieces", "width", "most", "expected"),
    [
        (0, 4, 8, []),
        (3, 4, 8, [1, 1, 1]),
        (10, 4, 8, [3, 3, 3, 1]),
        (100, 4, 8, [8] * 12 + [4]),
    ],
)
def test_pieces_are_dealt_in_order_to_batches_that_are_not_too_large(
    pieces: int, width: int, most: int, expected: list[int]
) -> None:
    dealt = batches(range(pieces), width, most)

    assert [len(batch) for batch in dealt] == expected
    assert [piece for batch in dealt for piece in batch] == list(range(pieces))
