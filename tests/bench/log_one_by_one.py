"""Logs the records of a `.jsonl` file one by one and prints each ID once it is kept: the process that gets killed."""

from __future__ import annotations

import sys
from pathlib import Path

from casebase.library.store import Library
from casebase.record.loading import load_file

if __name__ == "__main__":
    cases = load_file(Path(sys.argv[1]))
    print("ready", flush=True)
    with Library.open(Path(sys.argv[2])) as library:
        for case in cases:
            print(library.log([case])[0].case_id, flush=True)
