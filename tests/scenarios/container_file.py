"""A container file's instructions, for tests that hold it against what there is."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

# Those of the format that every builder knows.
KNOWN = {
    "ARG", "FROM", "WORKDIR", "COPY", "RUN", "USER", "ENV", "VOLUME", "ENTRYPOINT", "CMD", "LABEL", "EXPOSE", "ADD",
    "SHELL", "STOPSIGNAL", "HEALTHCHECK", "ONBUILD",
}  # fmt: skip


@dataclass(frozen=True)
class Instruction:
    """Its name in capitals, and the rest of its line."""

    name: str
    text: str


def read_container_file(path: Path) -> list[Instruction]:
    """Return the instructions in order; a line that a builder wouldn't know is an error."""
    text = re.sub(r"^\s*#.*\n", "", path.read_text(encoding="utf-8"), flags=re.MULTILINE).replace("\\\n", " ")
    found = []
    for line in filter(None, map(str.strip, text.splitlines())):
        name, _, rest = line.partition(" ")
        if name not in KNOWN or not rest.strip():
            raise ValueError(f"{path.name}: {line!r} is no instruction")
        found.append(Instruction(name, rest.strip()))
    return found
