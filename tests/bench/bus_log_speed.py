"""Times the whole analysis of a log beside python-can's bare reading of the same file, in turn, in one run.

Run by hand: `python tests/bench/bus_log_speed.py [FRAMES] [ENDING ...]`. Prints frames per second of both, their ratio
(below 1: the analysis is the faster), and the largest memory of a process that analyses the log.
"""

from __future__ import annotations

import gc
import heapq
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import can

from casebase.intake.bus_log.traffic import read_traffic

ENDINGS: Final = (".log", ".asc", ".trc", ".csv", ".blf", ".mf4")
ROUNDS: Final = 3
_PEAK: Final = (
    "import sys; from pathlib import Path; from casebase.intake.bus_log.traffic import read_traffic;"
    "read_traffic(Path(sys.argv[1]));"
    "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
)


def main(frames: int, endings: tuple[str, ...]) -> None:
    """Print one line per format."""
    with tempfile.TemporaryDirectory() as folder:
        print(f"{frames} frames, 40 identifiers, median of {ROUNDS} rounds, CPU time")
        print(
            f"{'format':<8}{'python-can frames/s':>21}{'analysis frames/s':>19}{'ratio':>7}{'memory MB':>11}"
        )
        for ending in endings:
            path = written(Path(folder) / f"log{ending}", frames)
            bare, analysis = zip(*(_round(path) for _ in range(ROUNDS)), strict=True)
            ratio = statistics.median(ours / theirs for ours, theirs in zip(analysis, bare, strict=True))
            print(
                f"{ending:<8}{frames / statistics.median(bare):>21,.0f}"
                f"{frames / statistics.median(analysis):>19,.0f}{ratio:>7.2f}{_memory(path):>11}"
            )
            path.unlink()


def _round(path: Path) -> tuple[float, float]:
    gc.collect()
    begun = time.process_time()
    for _ in can.LogReader(str(path)):
        pass
    between = time.process_time()
    read_traffic(path)
    return between - begun, time.process_time() - between


def _memory(path: Path) -> int:
    done = subprocess.run(
        [sys.executable, "-c", _PEAK, str(path)], capture_output=True, text=True, check=True
    )
    return int(done.stdout) // 1024


def written(path: Path, frames: int) -> Path:
    """Write an invented log of 40 senders at 10 to 500 ms."""
    with can.Logger(str(path)) as writer:
        for message in _messages(frames):
            writer.on_message_received(message)
    return path


def _messages(frames: int) -> Iterator[can.Message]:
    chance = random.Random(1)
    due = [
        (chance.random() / 100, 0x080 + 40 * number, chance.choice([2, 4, 8, 8, 8]), period)
        for number, period in enumerate([0.01] * 8 + [0.02] * 8 + [0.05] * 4 + [0.1] * 12 + [0.5] * 8)
    ]
    heapq.heapify(due)
    for _ in range(frames):
        at, identifier, length, period = heapq.heappop(due)
        yield can.Message(
            timestamp=1_600_000_000 + round(at, 6),
            arbitration_id=identifier,
            is_extended_id=False,
            data=chance.randbytes(length),
            channel=0,
        )
        heapq.heappush(due, (at + period + chance.gauss(0, period / 200), identifier, length, period))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000, tuple(sys.argv[2:]) or ENDINGS)
