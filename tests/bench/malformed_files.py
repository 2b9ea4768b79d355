"""Feeds a thousand spoilt record files to `casebase log`: each is refused in a sentence, or was good after all.

Run by hand: `python tests/bench/malformed_files.py [FILES] [SEED]`. Exits with 1 when anything else happens.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any, Final

from measured import COMMAND, seconds_of
from multiplied_cases import DEMO_FOLDER
from mutations import MUTATIONS
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.record.loading import record_files

LONGEST_SECONDS: Final = 60
IN_A_PROCESS_EACH: Final = 15
"""Every fifteenth file goes through a process of its own, with its own terminal encoding and exit."""


def main(count: int, seed: int) -> int:
    """Print the counts; return the exit code."""
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / "library.db"
        seconds_of("init", "--library", str(library))
        seconds_of("log", str(DEMO_FOLDER), "--library", str(library))
        tally = _Tally(library)
        for number, (path, what) in enumerate(_spoilt_files(Path(folder), count, seed)):
            tally.add(path, what, in_process=number % IN_A_PROCESS_EACH != 0)
        for path in _odd_paths(Path(folder)):
            tally.add(path, "odd path", in_process=False)
        return tally.told()


def _spoilt_files(folder: Path, count: int, seed: int) -> Any:
    chance = random.Random(seed)
    good = [path.read_text(encoding="utf-8") for path in record_files([DEMO_FOLDER])]
    for number in range(count):
        spoil, suffix = MUTATIONS[number % len(MUTATIONS)]
        path = folder / f"{number:05}{suffix}"
        path.write_bytes(spoil(chance.choice(good), chance))
        yield path, spoil.__name__


def _odd_paths(folder: Path) -> list[Path]:
    (folder / "empty folder").mkdir()
    broken_name = Path(os.fsdecode(os.fsencode(folder) + b"/\xff\xfe.yaml"))
    broken_name.write_text("kind: [", encoding="utf-8")
    (folder / "line\nfeed.yaml").write_text("kind: [", encoding="utf-8")
    return [
        broken_name,
        folder / "line\nfeed.yaml",
        folder / "empty folder",
        folder / "none.yaml",
        folder / ("x" * 300),
    ]


class _Tally:
    """What became of each file, and whether the library was left alone where it should be."""

    def __init__(self, library: Path) -> None:
        self.library = library
        self.counts: Counter[str] = Counter()
        self.accepted: Counter[str] = Counter()
        self.wrong: list[str] = []
        self.slowest = (0.0, "")

    def add(self, path: Path, what: str, *, in_process: bool) -> None:
        """Log one file and note what became of it."""
        before = self._digest()
        begun = time.perf_counter()
        outcome, said = (_log_here if in_process else _log_in_a_process)(path, self.library)
        self.slowest = max(self.slowest, (time.perf_counter() - begun, f"{what}, {path.name}"))
        self.counts[outcome] += 1
        self.counts["through a process of its own"] += not in_process
        self.accepted[what] += outcome == "accepted"
        if outcome not in ("accepted", "refused"):
            self.wrong.append(f"{what} {path.name!r}: {outcome}: {said[-1500:]}")
        if outcome != "accepted" and self._digest() != before:
            self.wrong.append(f"{what} {path.name!r}: the library changed although the file was {outcome}")

    def told(self) -> int:
        """Print everything; return 1 when anything went wrong."""
        checked = seconds_of("check", "--library", str(self.library))[1].strip()
        for outcome, count in sorted(self.counts.items()):
            print(f"{outcome}: {count}")
        print("accepted, for the change left a good record:", dict(+self.accepted))
        print(f"slowest: {self.slowest[0]:.2f} s ({self.slowest[1]})")
        print(f"library changed after a refusal: {sum('library changed' in line for line in self.wrong)}")
        print(f"casebase check at the end: {checked}")
        print("\n".join(self.wrong))
        return 1 if self.wrong or "all whole" not in checked else 0

    def _digest(self) -> tuple[str, int]:
        log = self.library.with_name(f"{self.library.name}-wal")
        return hashlib.sha256(
            self.library.read_bytes()
        ).hexdigest(), log.stat().st_size if log.exists() else 0


def _log_here(path: Path, library: Path) -> tuple[str, str]:
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(LONGEST_SECONDS)
    try:
        result = CliRunner().invoke(app, ["log", str(path), "--library", str(library)])
    finally:
        signal.alarm(0)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        return "traceback", repr(result.exception)
    return _outcome(result.exit_code, result.stderr), result.stderr


def _log_in_a_process(path: Path, library: Path) -> tuple[str, str]:
    try:
        done = subprocess.run(
            [COMMAND, "log", path, "--library", library],
            capture_output=True,
            check=False,
            timeout=LONGEST_SECONDS,
        )
    except subprocess.TimeoutExpired:
        return "hang", ""
    said = done.stderr.decode(errors="replace")
    return _outcome(done.returncode, said), said


def _outcome(code: int, said: str) -> str:
    if "Traceback" in said:
        return "traceback"
    if code == 0:
        return "accepted"
    return "refused" if code == 2 and said.startswith("Error: ") else f"exit code {code}"


def _too_long(*_: object) -> None:
    raise TimeoutError(f"took longer than {LONGEST_SECONDS} s")


if __name__ == "__main__":
    given = [int(number) for number in sys.argv[1:]]
    sys.exit(main(*(given + [1000, 1979][len(given) :])))
