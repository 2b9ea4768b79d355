"""The invented records of the demonstration, read once: reading YAML takes longest of all that most tests do."""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Final

from casebase.errors import CasebaseError
from casebase.files import write_at_once
from casebase.record.case import Case
from casebase.record.loading import load_file

DEMO: Final = Path(__file__).parents[1] / "demo_cases"
READERS: Final = Path(__file__).parents[1] / "casebase" / "record"
KEPT: Final = Path(tempfile.gettempdir()) / f"casebase-tests-{os.getuid()}"
"""Where tests keep what takes long to make, between runs."""


@cache
def demo_records() -> dict[Path, tuple[Case, ...]]:
    """Return every record of cases and jobs by its file, kept between runs by the files and the code that reads."""
    files = sorted(path for path in DEMO.rglob("*.yaml") if path.parent.name != "layouts")
    read = [*files, *sorted(READERS.glob("*.py"))]
    digest = hashlib.sha256(b"\0".join(str(path).encode() + path.read_bytes() for path in read)).hexdigest()
    kept = KEPT / f"demo-{digest[:16]}"
    if not kept.exists():
        made: dict[Path, tuple[Case, ...]] = {}
        for path in files:
            with suppress(CasebaseError):  # told by tests/outside/test_demo_levels.py
                made[path] = tuple(load_file(path))
        KEPT.mkdir(exist_ok=True)
        write_at_once(kept, pickle.dumps(made))
    records: dict[Path, tuple[Case, ...]] = pickle.loads(kept.read_bytes())
    return records
