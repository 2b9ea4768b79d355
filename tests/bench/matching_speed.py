"""How fast the matcher is: one question, building and adding to the index, and the whole command from a cold start.

python tests/bench/matching_speed.py [asking] [building] [cold] [--sizes 1000 10000 100000 1000000]

Prints Markdown tables. Times of asking are processor time of one core, the median over 40 jobs with the worst in
brackets; each is the least of three, unless it takes a second.
"""

from __future__ import annotations

import argparse
import platform
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from asking_speed import PARTS_MISSING_AT, asking_table, looked_at_table, measured, parts_missing
from cold_speed import print_cold
from index_speed import print_building
from scaled_library import Base, base
from warm_clock import Clock, markdown, on_one_core

SIZES: Final = (1_000, 10_000, 100_000, 1_000_000)
WHAT: Final = ("asking", "building", "cold")


def main(wanted: Sequence[str], sizes: Sequence[int]) -> None:
    """Print the tables wanted."""
    on_one_core()
    print(f"Python {platform.python_version()}, NumPy {np.__version__}, {platform.machine()}\n")
    if "asking" in wanted:
        _print_asking(base(), sizes)
    if "building" in wanted:
        print_building(base())
    if "cold" in wanted:
        print_cold()


def _print_asking(whole: Base, sizes: Sequence[int]) -> None:
    clock = Clock()
    found = [measured(whole, size, clock) for size in sizes]
    print(f"## Asking, first 10 cases, milliseconds\n\n{asking_table(found)}\n")
    print(f"## What an answer reads\n\n{looked_at_table(found)}\n")
    for small, large in pairwise(found):
        times = large.ours.median / small.ours.median
        print(f"from {small.cases:,} to {large.cases:,} cases: {times:.1f} times as long")
    head = ("cases", "job", "ours, ms", "ours / bare read", "rows looked at", "stories read", "checked")
    rows = [row for size in PARTS_MISSING_AT if size in sizes for row in parts_missing(whole, size, clock)]
    print(f"\n## Jobs with parts missing\n\n{markdown(head, rows)}\n")
    print(f"wall time was {clock.excess:.2f} times the processor time\n")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="How fast the matcher is.")
    parser.add_argument("what", nargs="*", choices=[*WHAT, []], default=list(WHAT))
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    return parser.parse_args()


if __name__ == "__main__":
    main(_arguments().what or WHAT, _arguments().sizes)
