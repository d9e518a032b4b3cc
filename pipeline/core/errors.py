"""Errors that a user can meet: one line, what is wrong, where, what to do."""

from __future__ import annotations

from pipeline.core.terminal_text import one_line


class NightclampError(Exception):
    """A failure said in one line; `exit_status` is what the command ends with.

    What the message quotes from files is made one line of printable text.
    """

    exit_status = 1

    def __init__(self, message: object) -> None:
        super().__init__(one_line(message))


class InputError(NightclampError):
    """Wrong use or input: the message names the file, row or column and what to do."""

    exit_status = 2


class NightFailed(NightclampError):
    """A command could not be finished; the message says what is published if it isn't nothing."""

    exit_status = 1
