"""What several commands ask for and how they answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from cyclopts import Parameter
from rich.console import Console

OUT = Path("nightclamp-out")
SettingsFile = Annotated[
    Path | None,
    Parameter(name="--settings", help="TOML file of your own settings; what it leaves out is as shipped."),
]
AsJson = Annotated[
    bool,
    Parameter(
        name="--json", negative="", help="Print one JSON document instead of text; progress goes to stderr."
    ),
]


def within(low: Any, high: Any) -> Callable[[type, Any], None]:
    """Return a check of an option, or of each value of a list: from `low` to `high`, and none that is no number."""
    span = f"a day from {low} to {high}" if isinstance(low, date) else f"from {low:,} to {high:,}"

    def check(kind: type, value: Any) -> None:
        for one in value if isinstance(value, tuple | list) else (value,):
            if one is not None and not low <= one <= high:
                raise ValueError(f"Choose {span}.")

    return check


MOST_HOMES = 10_000_000
Seed = Annotated[int, Parameter(validator=within(0, 2**31 - 1))]
Workers = Annotated[int, Parameter(validator=within(1, 256))]
Homes = Annotated[int, Parameter(validator=within(1, MOST_HOMES))]
Days = Annotated[int, Parameter(validator=within(1, 3650))]
Share = Annotated[float, Parameter(validator=within(0.0, 1.0))]
ServiceName = Literal["120/240", "120/208", "single", "230", "230/400", "120/208 three-phase"]
Rows = Annotated[int, Parameter(validator=within(0, 100_000))]


class OutputConsole(Console):
    """A console that leaves a reader who has gone to the command line, as `print` does."""

    def on_broken_pipe(self) -> None:
        """Raise the BrokenPipeError again."""
        raise


def printer(console: Console, log_width: int) -> Console:
    """Return the console, or in a log one that is at least `log_width` wide."""
    if console.is_terminal:
        return console
    return OutputConsole(file=console.file, width=max(log_width, console.width))
