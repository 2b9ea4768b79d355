"""Feeds spoilt logs of every format to `casebase traffic`: each is refused in a sentence, or was a log after all.

Run by hand: `python tests/bench/bus_log_fuzz.py [FILES] [SEED]`. Exits with 1 when anything else happens.
"""

from __future__ import annotations

import random
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Final

import can
from spoilt_logs import SPOILS
from typer.testing import CliRunner

from casebase.commands.app import app

LONGEST_SECONDS: Final = 60
ENDINGS: Final = (".log", ".asc", ".trc", ".csv", ".blf", ".mf4")


def main(count: int, seed: int) -> int:
    """Print what became of the files; return the exit code."""
    with tempfile.TemporaryDirectory() as folder:
        good = good_logs(Path(folder), seed)
        chance = random.Random(seed)
        tally: Counter[str] = Counter()
        wrong: list[str] = []
        slowest = (0.0, "")
        for number in range(count):
            ending = ENDINGS[number % len(ENDINGS)]
            spoil = SPOILS[number // len(ENDINGS) % len(SPOILS)]
            path = Path(folder) / f"spoilt{ending}"
            path.write_bytes(spoil(good[ending], chance))
            begun = time.perf_counter()
            outcome, said = outcome_of(path)
            slowest = max(slowest, (time.perf_counter() - begun, f"{spoil.__name__} {ending}"))
            tally[f"{ending} {outcome}"] += 1
            if outcome not in ("read", "refused"):
                wrong.append(f"{number} {spoil.__name__} {ending}: {outcome}: {said[-800:]}")
        print("\n".join(f"{what}: {times}" for what, times in sorted(tally.items())))
        print(f"slowest: {slowest[0]:.2f} s ({slowest[1]})")
        print(f"tracebacks and the like: {len(wrong)}")
        print("\n".join(wrong))
        return 1 if wrong else 0


def good_logs(folder: Path, seed: int) -> dict[str, bytes]:
    """Return one invented log in every format, as python-can writes it: classical, CAN FD where it can be, errors."""
    chance = random.Random(seed)
    found = {}
    for ending in ENDINGS:
        path = folder / f"good{ending}"
        # A packed container hides from most of the spoiling behind its check sum.
        how = {"compression_level": 0} if ending == ".blf" else {}
        with can.Logger(str(path), **how) as writer:
            for number in range(300):
                writer.on_message_received(_message(number, chance, with_fd=ending not in (".csv", ".trc")))
        found[ending] = path.read_bytes()
    return found


def _message(number: int, chance: random.Random, *, with_fd: bool) -> can.Message:
    at = 1_600_000_000 + number * 0.01
    if number % 50 == 49:
        return can.Message(timestamp=at, is_error_frame=True, channel=0)
    is_fd = with_fd and number % 7 == 0
    return can.Message(
        timestamp=at,
        arbitration_id=0x18FEF100 if number % 3 else chance.choice([0x123, 0x1A0, 0x7E8]),
        is_extended_id=bool(number % 3),
        is_fd=is_fd,
        bitrate_switch=is_fd,
        data=chance.randbytes(chance.choice([12, 64]) if is_fd else chance.randint(0, 8)),
        channel=0,
    )


def outcome_of(path: Path) -> tuple[str, str]:
    """Run the command on a file; return `read`, `refused`, or what else happened, and what it said."""
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(LONGEST_SECONDS)
    try:
        result = CliRunner().invoke(app, ["traffic", str(path), "--bit-rate", "500 kbit/s", "--json"])
    finally:
        signal.alarm(0)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return "traceback", repr(result.exception)
    if result.exit_code == 0:
        return "read", ""
    sentence = result.exit_code == 2 and result.stderr.startswith("Error: ")
    return "refused" if sentence else f"exit code {result.exit_code}", result.stderr


def _too_long(*_: object) -> None:
    raise TimeoutError(f"took longer than {LONGEST_SECONDS} s")


if __name__ == "__main__":
    given = [int(number) for number in sys.argv[1:]]
    sys.exit(main(*(given + [1000, 1979][len(given) :])))
