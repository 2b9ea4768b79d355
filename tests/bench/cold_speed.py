"""The whole command on a library of ten thousand cases, a new process each time, beside starting the text model itself.

The records are the invented demo cases with changed values (`multiplied_cases.py`), kept through `Library.log`. The
library with its index is kept in the folder for temporary files. The commands take turns, so that whatever else the
machine does hits all of them alike.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from measured import COMMAND
from multiplied_cases import DEMO_FOLDER, multiplied
from warm_clock import ONE_THREAD, markdown

from casebase.library.store import Library
from casebase.match.text.model_store import packaged_folder
from casebase.record.case import Case

RECORDS: Final = 10_000
ROUNDS: Final = 7
JOBS: Final = 3

REFERENCE: Final = """
import sys
from sentence_transformers import SentenceTransformer
SentenceTransformer(sys.argv[1], device="cpu").encode(["no comm with the ABS after rain"])
"""


def print_cold() -> None:
    """Print the table."""
    os.sched_setaffinity(0, range(os.cpu_count() or 1))
    library = _library()
    jobs = sorted((DEMO_FOLDER / "jobs").glob("*.yaml"))[:JOBS]
    commands = {
        "`import sentence_transformers`, load, one encode": [
            sys.executable,
            "-c",
            REFERENCE,
            str(packaged_folder()),
        ],
        **{
            f"`casebase similar {job.name}`": [COMMAND, "similar", str(job), "--library", str(library)]
            for job in jobs
        },
        "`casebase --version`": [COMMAND, "--version"],
        "`python -c 'import numpy'`": [sys.executable, "-c", "import numpy"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for number in range(ROUNDS + 1):
        for name, command in commands.items():
            seconds = _wall(command)
            if number:  # the first round fills the caches
                times[name].append(seconds)
    reference = statistics.median(next(iter(times.values())))
    rows = [
        [
            name,
            f"{statistics.median(found):.2f}",
            f"{min(found):.2f}",
            f"{max(found):.2f}",
            f"{statistics.median(found) / reference:.3f}",
        ]
        for name, found in times.items()
    ]
    head = ("a new process", "median s", "least", "most", "share of the first")
    print(f"## From a cold start, {RECORDS:,} cases, {ROUNDS} rounds\n\n{markdown(head, rows)}\n")


def _library() -> Path:
    """Return a library of the records, with its index."""
    path = Path(tempfile.gettempdir()) / f"cold-library-{RECORDS}" / "shop.db"
    if not path.exists():
        path.parent.mkdir(exist_ok=True)
        making = path.with_suffix(".making")
        making.unlink(missing_ok=True)
        with Library.create(making) as library:
            library.log(Case.model_validate(data) for data in multiplied(RECORDS))
        making.replace(path)
    return path


def _wall(command: Sequence[str]) -> float:
    environment = {name: value for name, value in os.environ.items() if name not in ONE_THREAD}
    begun = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    seconds = time.perf_counter() - begun
    if done.returncode:
        raise SystemExit(f"{' '.join(command)}: exit code {done.returncode}\n{done.stderr[-2000:]}")
    return seconds
