"""The policy simulation from end to end: the world, every policy's series, the results."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import asdict, replace
from pathlib import Path

from pipeline.core.atomic_files import write_text
from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.core.worker_processes import processes
from pipeline.evaluation.policy_simulation.policies import POLICIES
from pipeline.evaluation.policy_simulation.request import SimulationRequest
from pipeline.evaluation.policy_simulation.results import build_study
from pipeline.evaluation.policy_simulation.series import Series, run_series
from pipeline.evaluation.policy_simulation.world import make_world
from pipeline.evaluation.study_pages import Study

_LOOK_EVERY_S, _TELL_EVERY_NIGHTS = 5.0, 20


def simulate_policies(
    request: SimulationRequest,
    work: Path,
    settings: Settings,
    *,
    tell: Callable[[str], None] = lambda line: None,
) -> Study:
    """Run the simulation in the folder `work` and return its results; what is there of the same one goes on.

    Parameters
    ----------
    request
        What to simulate.
    work
        Folder that holds the fleet and each policy's nights.
    settings
        All settings.
    tell
        Called with lines of progress.

    Raises
    ------
    InputError
        `work` holds another simulation.
    """
    start = time.perf_counter()
    _claim(request, work, settings)
    world = make_world(request.fleet_spec(settings.rehearsal), work / "world", request.workers, tell=tell)
    series = [
        Series(policy, world.root, work / policy.name, request.days, request.visits_a_day, request.seed)
        for policy in POLICIES
    ]
    # No page a home, no hours for work orders: what a night draws for people is left out.
    lean = settings.model_copy(
        update={
            "report": settings.report.model_copy(update={"home_pages": 0}),
            "orders": settings.orders.model_copy(update={"homes": 0}),
        }
    )
    if request.workers == 1:
        for part in series:
            run_series(part, lean, tell)
    else:
        _run_in_processes(series, lean, request.workers, tell=tell)
    tell("tallying")
    study = build_study(request, world, series)
    return replace(study, seconds={"all": time.perf_counter() - start})


def _claim(request: SimulationRequest, work: Path, settings: Settings) -> None:
    """Note which simulation this folder holds: all of the request but the workers, and the settings."""
    options = {**asdict(request), "settings": settings.model_dump(mode="json")}
    del options["workers"]
    text = json.dumps(options, indent=1, default=str)
    marker = work / "rehearsal.json"
    if marker.is_file() and marker.read_text(encoding="utf-8") != text:
        raise InputError(f"{work}: holds another rehearsal; remove it or choose another folder with --out")
    work.mkdir(parents=True, exist_ok=True)
    write_text(marker, text)


def _run_in_processes(
    series: Sequence[Series], settings: Settings, workers: int, *, tell: Callable[[str], None]
) -> None:
    """Run the series in processes of their own, and say how far they are; they end with this process."""
    os.environ.setdefault("POLARS_MAX_THREADS", str(max(1, (os.cpu_count() or 1) // workers)))
    with processes(workers) as pool:
        running: set[Future[None]] = {pool.submit(run_series, part, settings) for part in series}
        last: list[int] = []
        while running:
            done, running = wait(running, _LOOK_EVERY_S, FIRST_COMPLETED)
            for future in done:
                future.result()
            nights = [part.progress["done"] for part in series]
            rough = [count // _TELL_EVERY_NIGHTS for count in nights]
            if rough != last or not running:
                counts = (f"{part.policy.title} {count}" for part, count in zip(series, nights, strict=True))
                tell(f"nights of {len(series[0].nights)}: {', '.join(counts)}")
            last = rough
