"""How a command ends that is stopped: by Ctrl-C, by SIGTERM, or since nobody reads its output any more.

Ctrl-C and SIGTERM end it with one line that says what is left, and exit status 130 or 143 (128 + the signal's number).
The first one lets the command tidy up; a second one ends it at once. A reader that has gone (`| head -1`) ends it
without a word and with 141, as the shell's own tools do. Nothing but the standard library is loaded here, so that a
stop during the imports is caught too.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

READER_GONE = 128 + signal.SIGPIPE
_WORDS = {signal.SIGINT: "stopped by the keyboard", signal.SIGTERM: "stopped by SIGTERM"}
_AGAIN_S = 0.05


@dataclass
class _Stop:
    """Which signal came, and what a command that ends now leaves behind."""

    signal_number: int = 0
    leaves: str = "nothing was changed"
    is_told: bool = False
    is_swallowed: bool = False
    is_over: bool = False


_stop = _Stop()
_say_as_event: Callable[[str], None] | None = None


def leaves(what: str) -> None:
    """Say what a command leaves behind if it is stopped or fails from now on, as "nothing was published"."""
    _stop.leaves = what


def left() -> str:
    """Return what a command that ends now leaves behind."""
    return _stop.leaves


def say(line: str) -> None:
    """Say in one line on standard error how the command ends; as an event where the log is JSON lines."""
    if _say_as_event:
        _say_as_event(line)
    else:
        print(f"nightclamp: {line}", file=sys.stderr, flush=True)


def say_through(write_event: Callable[[str], None] | None) -> None:
    """Have `say` hand its line to `write_event` from now on; None: print it."""
    global _say_as_event
    _say_as_event = write_event


def is_asked() -> bool:
    """Tell whether Ctrl-C or SIGTERM came: whatever error comes after it is its consequence."""
    return bool(_stop.signal_number)


def stop_if_asked() -> None:
    """Raise the stop once more, between two steps: a library may have swallowed it.

    DuckDB does while it looks whether an optional package can be imported.
    """
    if is_asked():
        raise KeyboardInterrupt


def tell_stop() -> int:
    """Print the one line, once, and return the exit status."""
    number = _stop.signal_number or signal.SIGINT
    if not _stop.is_told:
        _stop.is_told = True
        say(f"{_WORDS[signal.Signals(number)]}; {_stop.leaves}")
    # CPython ends by SIGINT, whatever the status, once a KeyboardInterrupt has left code that `exec` ran (as imports
    # do), until other such code ends well.
    exec("")
    return 128 + number


@contextmanager
def listening(*, to_the_end: bool) -> Iterator[None]:
    """Have Ctrl-C and SIGTERM raise KeyboardInterrupt in the block, and end the process when they come twice.

    With `to_the_end` the process ends after the block: then nothing interrupts its last moments, and they are quiet if
    it was stopped. Else all is as before.
    """
    global _stop
    _stop = _Stop()
    if threading.current_thread() is not threading.main_thread():  # signals are the main thread's
        yield
        return
    before = {number: signal.getsignal(number) for number in (*_WORDS, signal.SIGALRM)}
    hooks = sys.unraisablehook, threading.excepthook
    for number in _WORDS:
        if before[number] != signal.SIG_IGN:  # as under nohup
            signal.signal(number, _stop_or_end)
    signal.signal(signal.SIGALRM, _raise_again)
    heard, wake = os.pipe()
    os.set_blocking(wake, False)
    threading.Thread(
        target=_wake_main_thread, args=(_stop, heard, threading.get_ident()), daemon=True
    ).start()
    signal.set_wakeup_fd(wake, warn_on_full_buffer=False)
    sys.unraisablehook, threading.excepthook = _note_swallowed, _be_quiet
    try:
        yield
    finally:
        _stop.is_over = True
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.set_wakeup_fd(-1)
        os.close(wake)
        if not to_the_end:
            _stop = _Stop()
            for number, handler in before.items():
                signal.signal(number, handler)
            sys.unraisablehook, threading.excepthook = hooks
        elif not is_asked():
            for number in _WORDS:
                signal.signal(number, signal.SIG_IGN)


def _end_process(status: int) -> None:
    """End this process and the workers that it started, at once."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            continue
    if "multiprocessing" in sys.modules:
        from multiprocessing import active_children

        for child in active_children():
            child.kill()
    os._exit(status)


def is_reader_gone() -> bool:
    """Tell whether nobody reads standard output any more."""
    try:
        poll = select.poll()
        poll.register(sys.stdout.fileno(), select.POLLERR)
        return bool(poll.poll(0))
    except (OSError, ValueError):  # no file of the system, as in a test
        return True


def open_closed_streams() -> None:
    """Have the standard streams that came closed lead nowhere, so that no file that is opened takes their number."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115  it stays open to the end


def why_output_is_lost() -> str | None:
    """Return why standard output takes nothing more, as a full device; None where it does, or nobody reads it."""
    try:
        sys.stdout.flush()
        os.write(sys.stdout.fileno(), b"")  # what was to be printed is dropped by the first refusal
    except (BrokenPipeError, ValueError):  # the latter is no file of the system, as in a test
        return None
    except OSError as error:
        return None if error.errno is None else f"standard output can't be written: {error.strerror}"
    return None


def drop_output() -> None:
    """Send what is still to be printed nowhere, so that the end of the process doesn't complain either."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError):
        return


def _stop_or_end(number: int, frame: FrameType | None) -> None:
    if _stop.signal_number:
        if sys.stdout is not None and sys.stdout.isatty():
            print("\x1b[?25h", end="")  # a status line hides the cursor
        _end_process(tell_stop())
    _stop.signal_number = number
    raise KeyboardInterrupt


def _wake_main_thread(stop: _Stop, heard: int, main_thread: int) -> None:
    """Wake the main thread, if it doesn't take notice of a stop.

    While it waits for another thread, as for workers' results, it would sleep on: where the signal has reached another
    thread, or where a library has put a handler of its own in front that lets waits go on (Polars does for Ctrl-C).
    """
    while numbers := os.read(heard, 1):
        time.sleep(_AGAIN_S)
        if numbers[0] in _WORDS and not stop.signal_number and not stop.is_over:
            signal.pthread_kill(main_thread, signal.SIGALRM)
    os.close(heard)


def _raise_again(number: int, frame: FrameType | None) -> None:
    """Raise the stop that was swallowed; a wake-up is this call itself."""
    if _stop.is_swallowed and not _stop.is_told:
        _stop.is_swallowed = False
        raise KeyboardInterrupt


def _note_swallowed(error: sys.UnraisableHookArgs) -> None:
    """Raise a stop once more that came where nothing can be raised, as in the removal of an object."""
    if not is_asked():
        sys.__unraisablehook__(error)
    elif issubclass(error.exc_type, KeyboardInterrupt):
        _stop.is_swallowed = True
        signal.setitimer(signal.ITIMER_REAL, _AGAIN_S)


def _be_quiet(error: threading.ExceptHookArgs) -> None:
    """Leave out what threads complain of once the command is being stopped."""
    if not is_asked():
        threading.__excepthook__(error)
