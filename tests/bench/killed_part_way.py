"""A program in a process of its own, killed (SIGKILL) some time after it has said that it begins."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path


def killed_part_way(program: str, arguments: list[str | Path], seconds: float) -> bool:
    """Run Python text that prints a line when it begins, and kill it; return whether it had ended before."""
    running = subprocess.Popen([sys.executable, "-c", program, *map(str, arguments)], stdout=subprocess.PIPE)
    assert running.stdout is not None
    running.stdout.readline()
    try:
        running.wait(seconds)
        has_ended = True
    except subprocess.TimeoutExpired:
        running.kill()
        has_ended = False
    running.communicate()
    return has_ended
