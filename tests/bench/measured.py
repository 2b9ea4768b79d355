"""Running the real command with a clock beside it."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

COMMAND: Final = str(Path(sys.executable).parent / "casebase")


def seconds_of(*arguments: str) -> tuple[float, str]:
    """Run `casebase` with `arguments` in a process of its own; return its wall seconds and what it printed."""
    begun = time.perf_counter()
    done = subprocess.run([COMMAND, *arguments], capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - begun
    if done.returncode not in (0, 1):
        raise SystemExit(
            f"casebase {' '.join(arguments)}: exit code {done.returncode}\n{done.stderr[-2000:]}"
        )
    return seconds, done.stdout


def median_seconds(times: int, *arguments: str) -> float:
    """Return the median wall seconds of several runs, each in a process of its own."""
    return statistics.median(seconds_of(*arguments)[0] for _ in range(times))


def seconds_to(act: Callable[[], object]) -> float:
    """Return the wall seconds that something takes in this process."""
    begun = time.perf_counter()
    act()
    return time.perf_counter() - begun
