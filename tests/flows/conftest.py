"""One Prefect test server for the session, in a home of its own, and one lake with two nights."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from datetime import date
from types import SimpleNamespace

import pytest

# Prefect reads these when it is imported, so they can't wait for a fixture.
os.environ["PREFECT_HOME"] = tempfile.mkdtemp(prefix="nightclamp-prefect-")
os.environ.pop("PREFECT_API_URL", None)

from prefect import State

from flows.night_flow import nightly
from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

EVE, NIGHT, MISSING, LATE = (date(2025, 6, day) for day in (13, 14, 11, 12))
LATE_FILE = "site_id,interval_start,l1_w,l2_w,pv_w\nghost,2025-06-12T00:00:00Z,100,100,0\n"


@pytest.fixture(scope="session")
def server() -> Iterator[None]:
    # the whole server: seconds that only the worker with these files needs
    from prefect.testing.utilities import prefect_test_harness

    with prefect_test_harness(server_startup_timeout=120):
        yield
    shutil.rmtree(os.environ["PREFECT_HOME"], ignore_errors=True)


@pytest.fixture(scope="session")
def nights(server: None, tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """The night of a lake with a missing day and a late file, by command (`ours`) and by flow (`theirs`).

    Both follow the same run of the eve. One engine thread, so that sums of floats have one order.
    """
    root = tmp_path_factory.mktemp("nights")
    lake, ours, theirs = root / "lake", root / "ours", root / "theirs"
    write_lake(FleetSpec(8, 6, 60, 3, fault_share=0.6, end=NIGHT), lake)
    shutil.rmtree(lake / "intervals" / f"date={MISSING}")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("NIGHTCLAMP_ENGINE__THREADS", "1")
        patch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "1")
        run_night(NightRequest(lake, ours, EVE), load_settings())
        shutil.copytree(ours, theirs, symlinks=True)
        (lake / "intervals" / f"date={LATE}" / "late.csv").write_text(LATE_FILE, encoding="utf-8")
        result = run_night(NightRequest(lake, ours), load_settings())
        state: State[str] = nightly(str(lake), str(theirs), return_state=True)
    return SimpleNamespace(lake=lake, ours=ours, theirs=theirs, result=result, state=state)
