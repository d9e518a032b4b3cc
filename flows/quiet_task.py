"""A task run without cache or stored result: what a night is made from is on disk already."""

from collections.abc import Callable, Sequence
from typing import Any, ParamSpec, TypeVar

from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.tasks import Task

P = ParamSpec("P")
R = TypeVar("R")


def quiet_task(
    name: str,
    function: Callable[P, R],
    retry_after_s: Sequence[float],
    *,
    is_worth_retrying: Callable[[Task[..., Any], TaskRun, State[Any]], bool],
) -> Task[P, R]:
    """Return `function` as a task.

    Parameters
    ----------
    name
        Of the task and its runs.
    function
        What it runs.
    retry_after_s
        Seconds before each new try.
    is_worth_retrying
        Whether a failure is tried again.
    """
    return Task(
        function,
        name=name,
        task_run_name=name,
        cache_policy=NO_CACHE,
        persist_result=False,
        retries=len(retry_after_s),
        retry_delay_seconds=list(retry_after_s),
        retry_condition_fn=is_worth_retrying,
    )
