"""What several commands ask for alike."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

OUT = Path("nightclamp-out")
SettingsFile = Annotated[
    Path | None, Parameter(name="--settings", help="TOML file that overrides shipped settings")
]
