"""Other processes for tests: the real command, and somebody who logs without a pause."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

COMMAND = str(Path(sys.executable).parent / "casebase")

WRITING = """
import sys
from pathlib import Path
from casebase.library.store import Library
from casebase.record.case import Case
library = Library.open(Path(sys.argv[1]))
for number in range(100_000):
    case = {"kind": "fault case", "vehicle": {"make": "Thorne", "model": "Holt"}, "concern": f"{sys.argv[2]} {number}"}
    print(library.log([Case.model_validate(case)])[0].case_id, flush=True)
"""
"""Logs one record after another and prints its ID, until somebody stops it."""


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the real command, without a text model: loading one takes seconds, and nothing here depends on it."""
    environment = os.environ | {"CASEBASE_TEXT_MODEL": "/no/model"}
    return subprocess.run(
        [COMMAND, *map(str, arguments)], capture_output=True, text=True, check=False, env=environment
    )


def writer(path: Path, name: str) -> subprocess.Popen[str]:
    """Let another process log until it is stopped; its first record is kept when this returns."""
    process = subprocess.Popen(
        [sys.executable, "-c", WRITING, str(path), name], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    process.stdout.readline()
    return process


def confirmed_until_now(process: subprocess.Popen[str]) -> set[str]:
    """Stop a process (SIGKILL) and return the IDs that it printed after the first."""
    process.kill()
    assert process.stdout is not None
    told = process.stdout.read()  # `communicate` would pass over lines that `readline` has taken in already
    process.wait()
    return set(told.rsplit("\n", 1)[0].split())
