"""What several tests share: a small fleet looked at once, a model that is quick to fit, an S3 server when asked for."""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.core.settings import load_settings
from pipeline.correction.write_statement import write_statement
from pipeline.dispatch.run import dispatch_night
from pipeline.learning.labelled import Labelled, labelled_lake
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.workorder import write_orders

_NUMBERS = itertools.count(1)
# Two files of tests run at a time, so more threads than one each would wait for each other; OpenMP's do so at full
# speed. Results don't depend on either; nights of two threads are those of test_sample_lake and tests/reliability.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("NIGHTCLAMP_ENGINE__WORKERS", "1")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with a heavy test come first: what is left at the end is short, and no worker waits for another."""
    heavy = {item.path for item in items if item.get_closest_marker("heavy")}
    items.sort(key=lambda item: item.path not in heavy)


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Labelled:
    """Twelve homes over five days of half hours, half of them with a fault."""
    root = tmp_path_factory.mktemp("fleet")
    write_lake(FleetSpec(sites=12, days=5, minutes=30, seed=4, fault_share=0.5), root / "lake")
    return labelled_lake(root / "lake", root, 5, settings=load_settings())


@pytest.fixture(scope="session")
def model() -> Model:
    """The shipped model."""
    return load_model()


@pytest.fixture(scope="session")
def sample_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """OUT after the sample's night, its orders, a plan of the next work day, and invented corrected readings."""
    from corrected_homes import AS_OF, write_fleet

    lake, out = Path(__file__).parent.parent / "sample_lake", tmp_path_factory.mktemp("sample") / "out"
    settings = load_settings()
    run_night(NightRequest(lake, out), settings)
    write_orders(out, (), settings)
    dispatch_night(lake, out, settings)
    write_statement(out / "corrected", *write_fleet(out / "corrected"), as_of=AS_OF, settings=settings)
    return out


@pytest.fixture(scope="session")
def s3_server() -> Iterator[object]:
    from s3_server import Server

    server = Server()
    server.start()
    yield server
    server.stop()


@pytest.fixture
def s3(s3_server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[object]:
    """The server, its `bucket` empty; the environment leads every client of this test, an impatient one, there."""
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
    s3_server.signed_by.clear()
    s3_server.client().create_bucket(Bucket=s3_server.bucket)
    yield s3_server
    s3_server.troubles.clear()
