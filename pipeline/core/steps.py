"""The steps of a night by name: what is shown while it runs, and what run.json times."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from typing import ParamSpec, Protocol, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class Step(StrEnum):
    """The steps, in their order."""

    OPEN_LAKE = "open the lake"
    TAKE_IN = "take in the days"
    READ_METERS = "read the utility's meters"
    LOOK_AT_WINDOW = "look at the window"
    SCORE_HOMES = "score the homes"
    MAKE_LISTS = "make the lists"
    WRITE_TABLES = "write the tables"
    DRAW_REPORT = "draw the report"
    PUBLISH = "publish"
    CORRECT = "put past readings right"  # only with [correction] in_night


class StepRunner(Protocol):
    """How a step is carried out: called with its name, the function and its arguments."""

    def __call__(self, step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Run the function and return what it returns."""


def run_plainly(step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Run a step directly."""
    return function(*args, **kwargs)
