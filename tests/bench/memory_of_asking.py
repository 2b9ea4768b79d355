"""Opens an index in a process of its own and asks it: seconds, and megabytes as Linux counts them, as JSON.

`python tests/bench/memory_of_asking.py FOLDER`; `asking_speed.py` calls it. `own` is what the process took for itself
from before the index was opened until 40 jobs were asked, `file` what is mapped of files and lies in memory (the system
may take it back at any time), `most` the most of everything at once, interpreter and NumPy included.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from scaled_library import base, jobs_of, opened

from casebase.match.facets.measure import FAULTS
from casebase.match.index.collection import fault_rows
from casebase.match.index.query import Query
from casebase.match.index.search import first_of


def main(folder: Path) -> None:
    """Print the figures."""
    jobs = jobs_of(base())
    before = _megabytes()
    begun = time.process_time()
    index = opened(folder)
    allowed, _ = fault_rows(index), index.rarity
    ready = time.process_time()
    first_of(Query(index, jobs[0], FAULTS), allowed, 10)
    first = time.process_time()
    for job in jobs[1:]:
        first_of(Query(index, job, FAULTS), allowed, 10)
    after = _megabytes()
    figures = {
        "opening": ready - begun,
        "first": first - ready,
        "own": after["RssAnon"] - before["RssAnon"],
        "file": after["RssFile"],
        "most": after["VmHWM"],
    }
    print(json.dumps(figures))


def _megabytes() -> dict[str, float]:
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    told = dict(line.split(":", 1) for line in lines)
    return {name: int(told[name].split()[0]) / 1e3 for name in ("RssAnon", "RssFile", "VmHWM")}


if __name__ == "__main__":
    main(Path(sys.argv[1]))
