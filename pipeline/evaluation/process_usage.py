"""Runs a command and prints what it took, as one line of JSON.

`python -m pipeline.evaluation.process_usage LOG COMMAND ...`

A process that is started counts its starter's memory as its own most until then (Linux, `exec`): who measures
memory must start it from a process as small as this.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True)
class Usage:
    """Exit status, seconds by the clock and of all cores, and the most memory held (resident set) [MB]."""

    status: int
    clock_s: float
    cpu_s: float
    peak_mb: float


def measure_command(command: Sequence[str], log: Path) -> Usage:
    """Return what the command took in a process of its own; what it prints goes to the file `log`."""
    starter = [sys.executable, "-m", __name__, str(log), *command]
    # In a session of their own: Ctrl-C comes to this process, which ends them.
    with subprocess.Popen(starter, stdout=subprocess.PIPE, start_new_session=True) as process:
        try:
            told, _ = process.communicate()
        except BaseException:
            os.killpg(process.pid, signal.SIGTERM)
            raise
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, starter)
    return Usage(**json.loads(told))


def main() -> None:
    """Run the command of the command line and print what it took."""
    log, *command = sys.argv[1:]
    start = time.perf_counter()
    with open(log, "w", encoding="utf-8") as output:
        status = subprocess.run(command, stdout=output, stderr=output, check=False).returncode
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    usage = Usage(status, time.perf_counter() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)
    sys.stdout.write(json.dumps(asdict(usage)))


if __name__ == "__main__":
    main()
