"""How long an edition takes, how large it is, and how soon it is open: seconds, bytes, memory.

python tests/bench/edition_speed.py [RECORDS ...]

The records are the invented demo cases with changed values (`multiplied_cases.py`), each another: nothing that was
computed for one serves another. With the text model and the simulated buses, as `casebase publish` makes it.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

from multiplied_cases import multiplied
from row_by_row import rows_of_processes
from warm_clock import markdown

from casebase import places
from casebase.library.matching import Means
from casebase.library.records import KeptRevisions, in_lots
from casebase.library.store import Library
from casebase.match.text.embedder import open_embedder
from casebase.publish.edition import Edition, open_frozen
from casebase.publish.frozen import unpack_index
from casebase.publish.publication import Imprint, publish
from casebase.record.loading import case_from_data

HEAD: Final = ("records", "publishing, s", "records/s", "file, MB", "opening index, s", "most memory, MB")


def row(records: int) -> list[str]:
    """Publish so many records in this process and return the figures."""
    means = Means(places.simulation_folder(), open_embedder(places.text_model_folder()))
    with (
        tempfile.TemporaryDirectory() as folder,
        Library.create(Path(folder) / "shop.db") as library,
        library.reading() as db,
    ):
        for some in in_lots(
            multiplied(records)
        ):  # as a library holds them: one at a time is read while publishing
            library.log(case_from_data(data, "a bench") for data in some)
        names = db.execute("SELECT case_id, revision FROM records ORDER BY case_id").fetchall()
        kept = KeptRevisions(db, names)
        begun = time.perf_counter()
        made = publish(kept, Path(folder) / "editions", Imprint("2026-11-25", "a bench"), means)
        seconds = time.perf_counter() - begun
        begun = time.perf_counter()
        with closing(open_frozen(made.path)) as connection:
            index = unpack_index(connection)
            assert index is not None
            assert len(index) == Edition(connection).count() == records
        opening, size = time.perf_counter() - begun, made.path.stat().st_size
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return [
        f"{records:,}",
        f"{seconds:.0f}",
        f"{records / seconds:.0f}",
        f"{size / 1e6:.0f}",
        f"{opening:.2f}",
        f"{memory:.0f}",
    ]


def main(sizes: Sequence[int]) -> None:
    """Print the table, each size in a process of its own."""
    rows = rows_of_processes(__file__, sizes)
    print(markdown(HEAD, rows))


if __name__ == "__main__":
    if "--row" in sys.argv:
        print("\t".join(row(int(sys.argv[-1]))))
    else:
        main([int(text) for text in sys.argv[1:]] or [1_000, 10_000, 100_000])
