"""The tables that come with the package: plain CSV files in `record/data`."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

_DATA: Final = Path(__file__).parent / "data"


def read_table(name: str) -> list[dict[str, str]]:
    """Return the rows of `data/<name>.csv` by column name, in the order of the file."""
    with (_DATA / f"{name}.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))
