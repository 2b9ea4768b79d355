"""A table of which each row is measured in a process of its own: one tells nothing of the memory of another."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterable


def rows_of_processes(file: str, sizes: Iterable[int]) -> list[list[str]]:
    """Run a bench with `--row SIZE` for every size, and return the figures that each prints, parted by tabs."""
    rows = []
    for size in sizes:
        done = subprocess.run(
            [sys.executable, file, "--row", str(size)], capture_output=True, text=True, check=True
        )
        rows.append(done.stdout.strip().split("\t"))
    return rows
