"""How long an answer about readings takes: simulating the buses, the answer itself, the next tests, the whole command.

python tests/bench/readings_speed.py
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from casebase.bus.diagnose import bank_for, computed_media, diagnose
from casebase.bus.next_test import next_tests
from casebase.intake.answers import quick_readings
from casebase.record.vocabulary import Medium

FIVE = {"pair": "60.4", "high": "2.66", "low": "2.35", "high_ohms": "1.62k", "low_ohms": "1.60k"}
TIMES = 15


def seconds_of(work):
    """Return how long something takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def median_milliseconds(work):
    """Return the median over several runs, after one that does not count."""
    work()
    return 1000 * statistics.median(seconds_of(work) for _ in range(TIMES))


def main():
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        cache = Path(folder) / "casebase" / "simulated-buses"
        for medium in computed_media():
            bank = bank_for(medium, cache)
            first = seconds_of(lambda bank=bank: bank.columns("nothing"))
            rest = seconds_of(bank.build)
            print(f"{medium:28} first view {first:5.1f} s, all views {first + rest:5.1f} s")
        given = quick_readings("high-speed CAN", **FIVE)
        answer = median_milliseconds(lambda: diagnose(given.readings, Medium.HIGH_SPEED_CAN, cache=cache))
        found = diagnose(given.readings, Medium.HIGH_SPEED_CAN, cache=cache)
        tests = median_milliseconds(lambda: next_tests(found, 3))
        print(f"answer from five readings, warm: {answer:.0f} ms; next tests: {tests:.0f} ms")
        command = [
            sys.executable,
            "-m",
            "casebase",
            "readings",
            "--pair",
            "61",
            "--high",
            "2.48",
            "--low",
            "2.47",
        ]
        environment = os.environ | {"XDG_CACHE_HOME": folder}
        whole = median_milliseconds(
            lambda: subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL)
        )
        print(f"casebase readings, a new process, buses kept: {whole:.0f} ms")


if __name__ == "__main__":
    main()
