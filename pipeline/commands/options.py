"""What several commands ask for and how they answer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

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
