"""What several commands ask for and how they answer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from rich.console import Console

OUT = Path("nightclamp-out")
SettingsFile = Annotated[
    Path | None, Parameter(name="--settings", help="TOML file that overrides shipped settings")
]


def printer(console: Console, log_width: int) -> Console:
    """Return the console, or in a log one that is at least `log_width` wide."""
    if console.is_terminal:
        return console
    return Console(file=console.file, width=max(log_width, console.width))
