"""The command `nightclamp`, from the words that were typed to the exit status.

0 done; 1 failed; 2 wrong use or input; 3 an alarm beside a published night (pipeline/core/alarm.py); 130 Ctrl-C; 143
SIGTERM; 141 nobody reads the output any more. The commands are in app.py, which is loaded once a stop is listened for.
"""

from __future__ import annotations

import os
import sys

from pipeline.commands import stopping


def main(tokens: list[str] | None = None) -> None:
    """Run the command line (or these words of it); a known error is one line on stderr."""
    if tokens is None:
        stopping.open_closed_streams()
    with stopping.listening(to_the_end=tokens is None):
        try:
            status = _run(sys.argv[1:] if tokens is None else tokens)
            stopping.stop_if_asked()
        except BaseException:
            if not stopping.is_asked():
                raise
            status = stopping.tell_stop()  # also of what the stop has led to, as a query that was broken off
    sys.exit(status)


def _run(words: list[str]) -> int:
    """Return the exit status."""
    if os.environ.get("POLARS_MAX_THREADS", "1").strip().strip("0+") == "":  # polars would abort in the midst
        print(
            "nightclamp: POLARS_MAX_THREADS: 0 threads do nothing; unset it, or say 1 or more",
            file=sys.stderr,
        )
        return 2
    from pipeline.commands.app import run_words, tell_lost_output

    try:
        status = run_words(words)
        sys.stdout.flush()
    except BrokenPipeError as error:
        if not stopping.is_reader_gone():
            stopping.say(f"{error}; {stopping.left()}")
            return 1
        stopping.drop_output()
        return stopping.READER_GONE
    except OSError:  # what was still to be printed
        return tell_lost_output(stopping.why_output_is_lost() or "standard output can't be written")
    return status


if __name__ == "__main__":
    main()
