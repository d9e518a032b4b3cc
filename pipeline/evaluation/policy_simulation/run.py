"""The rehearsal from end to end: the world, every policy's series, the tally."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, wait
from dataclasses import asdict
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.evaluation.policy_simulation.policies import POLICIES
from pipeline.evaluation.policy_simulation.request import RehearsalRequest
from pipeline.evaluation.policy_simulation.series import Ask, run_series
from pipeline.evaluation.policy_simulation.tally import Tally, tally
from pipeline.evaluation.policy_simulation.workers import processes
from pipeline.evaluation.policy_simulation.world import make_world

_LOOK_EVERY_S, _TELL_EVERY = 5.0, 20  # nights


def rehearse(
    request: RehearsalRequest, work: Path, settings: Settings, tell: Callable[[str], None] = lambda line: None
) -> Tally:
    """Run the rehearsal in the folder `work` and return what came of it; what is there of the same one goes on.

    Raises
    ------
    InputError
        `work` holds another rehearsal.
    """
    began = time.perf_counter()
    own = settings.rehearsal
    _claim(request, work, settings)
    world = make_world(request.fleet(own), work / "world", request.workers, tell)
    asks = [
        Ask(policy.name, world.root, work / policy.name, request.days, request.visits_a_day, request.seed)
        for policy in POLICIES
    ]
    lean = _lean(settings)
    if request.workers == 1:
        for ask in asks:
            run_series(ask, lean, tell)
    else:
        _side_by_side(asks, lean, request.workers, tell)
    tell("tallying")
    return tally(request, world, work, time.perf_counter() - began)


def _lean(settings: Settings) -> Settings:
    """Return the settings without what a night draws for people: no page a home, no hours for work orders."""
    return settings.model_copy(
        update={
            "report": settings.report.model_copy(update={"home_pages": 0}),
            "orders": settings.orders.model_copy(update={"homes": 0}),
        }
    )


def _claim(request: RehearsalRequest, work: Path, settings: Settings) -> None:
    """Note which rehearsal this folder holds: all of the request but the workers, and the settings."""
    told = {**asdict(request), "settings": settings.model_dump(mode="json")}
    del told["workers"]
    text = json.dumps(told, indent=1, default=str)
    marker = work / "rehearsal.json"
    if marker.is_file():
        if marker.read_text(encoding="utf-8") != text:
            raise InputError(
                f"{work}: holds another rehearsal; remove it or choose another folder with --out"
            )
        return
    work.mkdir(parents=True, exist_ok=True)
    marker.write_text(text, encoding="utf-8")


def _side_by_side(asks: list[Ask], settings: Settings, workers: int, tell: Callable[[str], None]) -> None:
    """Run the series in processes of their own, and say how far they are; they end with this process."""
    os.environ.setdefault("POLARS_MAX_THREADS", str(max(1, (os.cpu_count() or 1) // workers)))
    with processes(workers) as pool:
        at_work: set[Future[None]] = {pool.submit(run_series, ask, settings) for ask in asks}
        told = ""
        while at_work:
            done, at_work = wait(at_work, _LOOK_EVERY_S, FIRST_COMPLETED)
            for future in done:
                future.result()
            now = ", ".join(f"{ask.chosen.title} {_nights(ask)}" for ask in asks)
            rough = ", ".join(str(_nights(ask) // _TELL_EVERY) for ask in asks)
            if rough != told or not at_work:
                tell(f"nights of {len(asks[0].nights)}: {now}")
            told = rough


def _nights(ask: Ask) -> int:
    progress = ask.folder / "progress.json"
    return int(json.loads(progress.read_text(encoding="utf-8"))["done"]) if progress.is_file() else 0
