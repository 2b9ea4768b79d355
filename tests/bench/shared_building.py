"""How much sooner a first index is made where several processes share the work, and whether it is the same.

python tests/bench/shared_building.py [RECORDS [PROCESSES ...]]

Each number of processes makes the index of the same library anew, with the text model and the simulated buses. Printed:
wall and processor seconds, of this process and of the others, the most memory of either, and the SHA-256 of the index:
one line must not differ from another in that. On a machine that others keep busy only the processor seconds tell.
"""

from __future__ import annotations

import hashlib
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

from multiplied_cases import multiplied

from casebase import places
from casebase.library.matching import Means, index_folder
from casebase.library.store import Library
from casebase.match.text.embedder import open_embedder
from casebase.record.loading import case_from_data


def main(records: int, processes: list[int]) -> None:
    """Print a line for each number of processes."""
    embedder = open_embedder(places.text_model_folder())
    with tempfile.TemporaryDirectory() as folder, Library.create(Path(folder) / "shop.db") as library:
        library.log(case_from_data(data, "a bench") for data in multiplied(records))
        for count in processes:
            shutil.rmtree(index_folder(library.path), ignore_errors=True)
            begun, before = time.perf_counter(), _processor_seconds()
            library.collection(Means(places.simulation_folder(), embedder, processes=count))
            wall, after = time.perf_counter() - begun, _processor_seconds()
            own, others = (then - earlier for then, earlier in zip(after, before, strict=True))
            print(
                f"{records:,} records, {count} processes: {wall:.1f} s; processor {own:.1f} s here, {others:.1f} s in"
                f" others; memory up to now {_megabytes()} MB; index {_digest(index_folder(library.path))}",
                flush=True,
            )


def _processor_seconds() -> tuple[float, float]:
    told = (resource.getrusage(whose) for whose in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    own, others = (one.ru_utime + one.ru_stime for one in told)
    return own, others


def _megabytes() -> str:
    whose = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return ", in another ".join(f"{resource.getrusage(one).ru_maxrss / 1024:.0f}" for one in whose)


def _digest(folder: Path) -> str:
    whole = hashlib.sha256()
    for path in sorted(path for path in folder.iterdir() if path.suffix):
        whole.update(path.name.encode() + path.read_bytes())
    return whole.hexdigest()[:12]


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]] or [10_000]
    main(given[0], given[1:] or [1, 2])
