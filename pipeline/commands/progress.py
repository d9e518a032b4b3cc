"""What a command shows while it works: one status line on a terminal, plain lines in a log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, Task, TextColumn, TimeElapsedColumn
from rich.text import Text

from pipeline.commands import stopping
from pipeline.core import event_log
from pipeline.core.progress import Counted
from pipeline.core.steps import Step
from pipeline.core.terminal_text import one_line

Tell = Callable[[str], None]
_LOGGED_SHARES = 10  # of lines that count a log has the first of each tenth


@contextmanager
def progress(console: Console) -> Iterator[Tell]:
    """Give a function that shows a line of progress, as suits the console.

    On a terminal the line is replaced by the next one and goes when the block ends; what is printed on `console`
    meanwhile stands above it. Elsewhere every line is printed, of those that count (`Counted`) one a tenth; where the
    log is JSON lines each is an event instead. A stop that was asked for and went unheard ends the block with the next
    line.
    """
    if event_log.is_json():
        yield _events()
        return
    if not console.is_terminal:
        yield _logger(console)
        return
    columns = (
        SpinnerColumn(),
        TextColumn("{task.description}", markup=False),
        _Bar(bar_width=20),
        TimeElapsedColumn(),
    )
    with Progress(
        *columns, console=console, transient=True, redirect_stdout=False, redirect_stderr=False
    ) as shown:
        task = shown.add_task("starting", total=None)

        def tell(line: str) -> None:
            stopping.stop_if_asked()
            done, total = (line.done, line.total) if isinstance(line, Counted) else (0, None)
            shown.tasks[0].total = total  # `update` takes None for "as it was"
            shown.update(task, description=one_line(line.strip()), completed=done)

        yield tell


@contextmanager
def terminal_progress(console: Console) -> Iterator[Tell]:
    """Like `progress`, but without a line in a log: for commands whose own lines tell how far they are."""
    if not console.is_terminal or event_log.is_json():
        yield lambda line: stopping.stop_if_asked()
        return
    with progress(console) as tell:
        yield tell


class _Bar(BarColumn):
    """A bar where something is counted, else nothing."""

    def render(self, task: Task) -> Text | object:  # type: ignore[override]
        """Return the bar, or an empty text."""
        return Text("") if task.total is None else super().render(task)


def _logger(console: Console) -> Tell:
    def show(line: str) -> None:
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)

    return _sparse(show)


def _events() -> Tell:
    def write(line: str) -> None:
        if isinstance(line, Step):  # the night itself says when a step begins and ends
            return
        counts = {"done": line.done, "total": line.total} if isinstance(line, Counted) else None
        event_log.LOG.info("%s", one_line(line.strip()), extra={"counts": counts} if counts else None)

    return _sparse(write)


def _sparse(show: Tell) -> Tell:
    """Return a function that shows a line, of those that count one a tenth."""
    total, share = 0, 0

    def tell(line: str) -> None:
        stopping.stop_if_asked()
        nonlocal total, share
        if isinstance(line, Counted):
            reached = line.done * _LOGGED_SHARES // line.total
            is_same = (line.total, share) == (total, reached) and line.done < line.total
            total, share = line.total, reached
            if is_same or not reached:
                return
        show(line)

    return tell
