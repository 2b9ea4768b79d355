"""Filling in the profiles of many cases: what their readings mean, and their stories as vectors, by several processes.

Each record is by itself, so batches of them are shared out; they come back in their order, and what comes of them is
the same to the last bit as with one process, for a batch holds the same cases. Where a process dies, or cannot be
started, this one does the rest alone.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from multiprocessing.connection import wait
from pathlib import Path
from pickle import PicklingError
from threading import Thread
from typing import Final, Self, TypeVar

from casebase.match.meaning import TOGETHER, Embeds, filled_profiles
from casebase.match.profile import Profile
from casebase.record.case import Case

SHARED_FROM: Final = 4 * TOGETHER
"""Cases from which on they are shared: of fewer little is left when other processes have begun (judged)."""

_WAITING_EACH: Final = 4
"""Batches that wait for each process: work for as long as the next ones take to be read."""

_Tag = TypeVar("_Tag")
_Item = TypeVar("_Item")
_Cases = list[tuple[str, Case]]


class Filling:
    """Fills in profiles, shared among `processes` where `expected` cases are worth it; a context that ends them."""

    def __init__(
        self, buses: Path | None, embedder: Embeds | None, processes: int = 1, expected: int = 0
    ) -> None:
        self._buses, self._embedder = buses, embedder
        processes = min(processes, -(-expected // TOGETHER))
        self._is_long = expected > TOGETHER
        self._most_ahead = _WAITING_EACH * processes
        self._pool: ProcessPoolExecutor | None = None
        if processes > 1 and expected >= SHARED_FROM:
            self._pool = ProcessPoolExecutor(
                processes, multiprocessing.get_context("spawn"), _begin, (buses, embedder)
            )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None and self._pool is not None:  # nobody waits for what is still under way
            for process in multiprocessing.active_children():
                process.terminate()
        self._go_on_alone()

    def profiles(self, cases: Iterable[tuple[str, Case]]) -> Iterator[Profile]:
        """Yield the profile of every (ID, case), filled in."""
        for _, some in self.in_order((None, batch) for batch in batches(cases)):
            yield from some

    def in_order(self, tagged: Iterable[tuple[_Tag, _Cases]]) -> Iterator[tuple[_Tag, list[Profile]]]:
        """Yield every batch of cases, at most `TOGETHER` each, as profiles, with the tag it came with.

        Batches are taken a few ahead while they are shared, and one by one where this process is alone.
        """
        under_way: deque[tuple[_Tag, _Cases, Future[list[Profile]] | None]] = deque()
        for tag, some in tagged:
            under_way.append((tag, some, self._handed_out(some)))
            while under_way and (self._pool is None or len(under_way) > self._most_ahead):
                yield self._done(*under_way.popleft())
        while under_way:
            yield self._done(*under_way.popleft())

    def _handed_out(self, some: _Cases) -> Future[list[Profile]] | None:
        if self._pool is None:
            return None
        try:
            return self._pool.submit(_filled, some)
        except (OSError, BrokenProcessPool, PicklingError, AttributeError, TypeError):
            self._go_on_alone()  # no process more, or an embedder that no other process can open
            return None

    def _done(
        self, tag: _Tag, some: _Cases, future: Future[list[Profile]] | None
    ) -> tuple[_Tag, list[Profile]]:
        if future is not None and not future.cancelled():
            try:
                return tag, future.result()
            except BrokenProcessPool:
                self._go_on_alone()
        profiles = list(filled_profiles(some, self._buses, self._embedder))
        if self._is_long and not gc.isenabled():
            gc.collect(
                0
            )  # what a batch leaves in circles: half a megabyte a record, and a command looks for none
        return tag, profiles

    def _go_on_alone(self) -> None:
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)


def batches(items: Iterable[_Item]) -> Iterator[list[_Item]]:
    """Yield items as many together as are filled in at once."""
    iterator = iter(items)
    while batch := list(islice(iterator, TOGETHER)):
        yield batch


# --- in a process that was started for it -----------------------------------------------------------------------------

_means: tuple[Path | None, Embeds | None] = (None, None)


def _begin(buses: Path | None, embedder: Embeds | None) -> None:
    """Keep what is needed; a stop from the keyboard is the first process's matter, and without that one this ends."""
    global _means  # noqa: PLW0603  the only way from a process's beginning to its work
    _means = (buses, embedder)
    gc.freeze()  # what was imported goes never
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)


def _filled(some: _Cases) -> list[Profile]:
    return list(filled_profiles(some, *_means))
