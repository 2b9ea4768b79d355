"""How long the index takes to make and to add to: arrays alone, files too, and everything through a library."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path
from typing import Final

from scaled_library import BASE_CASES, Base, Varied, index_of_size, opened
from synthetic_world import synthetic_library
from warm_clock import markdown

from casebase import places
from casebase.library.matching import Means
from casebase.library.store import Library
from casebase.match.index.building import IndexBuilder, empty_index
from casebase.match.index.files import Stamp, append, read_index
from casebase.match.index.match_index import Index
from casebase.match.profile import Profile
from casebase.match.text.embedder import Embedder, open_embedder

ARRAYS_OF: Final = 20_000
LOGGED: Final = 2_000
ADDED_TO: Final = 100_000
ADDED: Final = (1, 1_000)
TIMES: Final = 3


def print_building(whole: Base) -> None:
    """Print the tables."""
    head = ("what", "cases", "seconds", "cases per second")
    rows = [*_arrays_alone(whole), *_through_a_library()]
    print(f"## Making an index, wall time of one core\n\n{markdown(head, rows)}\n")
    head = ("cases added", f"to {ADDED_TO:,} there, arrays", "written to the files (fsync)", "read again")
    print(f"## Adding to an index, wall milliseconds\n\n{markdown(head, _adding(whole))}\n")


def _arrays_alone(whole: Base) -> list[list[object]]:
    profiles = list(islice(Varied(whole.profiles, seed=3).profiles(), ARRAYS_OF))
    empty = empty_index(whole.dimensions, whole.text)
    seconds = min(_seconds(lambda: _built(empty, profiles)) for _ in range(TIMES))
    return [_row("profiles at hand, arrays in memory", ARRAYS_OF, seconds)]


def _built(onto: Index, profiles: Sequence[Profile]) -> object:
    builder = IndexBuilder(onto)
    for number, profile in enumerate(profiles, start=len(onto) + 1):
        builder.add(number, profile)
    return builder.finished()


def _through_a_library() -> list[list[object]]:
    cases = synthetic_library(BASE_CASES)[:LOGGED]
    embedder = open_embedder(places.text_model_folder())
    rows = []
    with tempfile.TemporaryDirectory() as folder, Library.create(Path(folder) / "made.db") as library:
        rows.append(_row("`Library.log`, for comparison", LOGGED, _seconds(lambda: library.log(cases))))
        for name, text in (("without the text model", None), ("posteriors and stories", embedder)):
            seconds = _seconds(lambda text=text: _collected(library, text))  # type: ignore[misc]
            rows.append(_row(f"`Library.collection`, {name}", LOGGED, seconds))
        seconds = min(_seconds(lambda: _collected(library, embedder)) for _ in range(TIMES))
        rows.append(_row("`Library.collection`, nothing new", LOGGED, seconds))
    return rows


def _collected(library: Library, embedder: Embedder | None) -> object:
    return library.collection(Means(places.simulation_folder(), embedder))


def _row(what: str, cases: int, seconds: float) -> list[object]:
    return [what, f"{cases:,}", f"{seconds:.2f}", f"{cases / seconds:,.0f}"]


def _adding(whole: Base) -> list[list[object]]:
    index, there = index_of_size(whole, ADDED_TO)
    stamp = Stamp("scaled", whole.text, whole.dimensions)
    profiles = list(islice(Varied(whole.profiles, seed=4).profiles(), max(ADDED)))
    rows = []
    for count in ADDED:
        arrays, written, read = [], [], []
        for _ in range(TIMES):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(shutil.copytree(there, name, dirs_exist_ok=True))
                before = opened(folder)
                batch, seconds = _timed(lambda: _built(index, profiles[:count]))  # noqa: B023  called at once
                arrays.append(seconds)
                written.append(_seconds(lambda: append(folder, batch, before, stamp)))  # noqa: B023
                read.append(_seconds(lambda: read_index(folder)))  # noqa: B023
        rows.append([f"{count:,}", *(f"{1000 * min(times):.0f}" for times in (arrays, written, read))])
    return rows


def _timed(work: Callable[[], object]) -> tuple[object, float]:
    begun = time.perf_counter()
    found = work()
    return found, time.perf_counter() - begun


def _seconds(work: Callable[[], object]) -> float:
    return _timed(work)[1]
