"""The steps of a night as they are carried out: each is shown, logged and timed."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime

from pipeline.core import clock, event_log
from pipeline.core.steps import P, Step, StepRunner, T


class TimedSteps:
    """Carries out steps one after the other; `seconds` has how long each took, `started_at` when the night began."""

    def __init__(self, run_id: str, run_step: StepRunner, tell: Callable[[str], None]) -> None:
        """Begin the run of that id; `run_step` carries a step out, `tell` shows that it begins."""
        self.run_id, self.seconds, self.started_at = run_id, dict[str, float](), clock.utc_now()
        self._run_step, self._tell, self._began = run_step, tell, time.perf_counter()
        event_log.begin_run(run_id)

    def __call__(self, step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run one step and return what it returns."""
        event_log.begin_step(step)
        self._tell(step)
        began = time.perf_counter()
        result = self._run_step(step, function, *args, **kwargs)
        self.seconds[step] = round(time.perf_counter() - began, 3)
        event_log.end_step(step, self.seconds[step])
        return result

    def elapsed_s(self) -> float:
        """Return the seconds since the night began."""
        return round(time.perf_counter() - self._began, 3)

    def now(self) -> datetime:
        """Return the time, UTC, by the clock that `started_at` is read from."""
        return clock.utc_now()
