"""What one running site keeps open: the frozen file, its index, the text model, and the pages made last.

Of a frozen file the same address is the same page for everybody, so that a page is made once and given again.
"""

from __future__ import annotations

import asyncio
import gzip
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TypeVar

from threadpoolctl import threadpool_limits

from casebase import places
from casebase.bus.bank import watch_simulations
from casebase.bus.diagnose import bank_for
from casebase.errors import CasebaseError
from casebase.match.index.collection import Collection, fault_rows, known_good_rows
from casebase.match.index.match_index import Index
from casebase.match.meaning import Embeds
from casebase.match.profile import Profile
from casebase.match.text.embedder import open_embedder
from casebase.publish.edition import Edition, is_frozen, open_frozen
from casebase.publish.frozen import unpack_index

MOST_BYTES: Final = 32 << 20
MOST_PAGES: Final = 10_000

READERS: Final = 4
"""Threads that read pages; more would only take turns."""

ANSWERERS: Final = 1
"""The thread that answers stuck jobs, apart from the readers, who would otherwise wait behind it; Python runs one
computation at a time, and two that take turns are slower than one after the other (measured)."""

MOST_WAITING: Final = 100
"""Jobs that wait to be answered: a tenth of a second each where their buses are simulated (measured)."""

MOST_SIMULATING: Final = 120.0
"""Seconds of simulating in one go, enough for the first jobs of some media on a slow computer (judged)."""

SHARE_OF_SIMULATING: Final = 0.5
"""Of the time that passes, what may go into simulating later on."""

MOST_SETS: Final = 8
"""Simulated since the site started that are held in memory: 25 MB each (measured), and what is made of them."""

Data = TypeVar("Data")


class BusyError(CasebaseError):
    """More is asked for than this site works out at once; the text says what to do."""


class Simulating:
    """Watches how long buses are simulated that nobody asked for before, and ends it where that goes on and on.

    A link can ask for any set of unplugged modules, and each new one takes seconds; what was begun is finished.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._left = MOST_SIMULATING
        self._seen = clock()
        self._sets = 0

    def tell(self, done: int, _whole: int) -> None:
        """Take note of another state simulated; raise `BusyError` at the first one where no time is left for more."""
        now = self._clock()
        passed, self._seen = now - self._seen, now
        if done > 1:
            self._left -= passed
            return
        self._sets += 1
        self._left = min(MOST_SIMULATING, self._left + passed * SHARE_OF_SIMULATING)
        if self._left <= 0:
            raise BusyError(
                "What these readings mean with these modules unplugged has to be simulated first, and too much of"
                " that was asked for in the last minutes. Nothing is lost: the link holds the whole job. Open it again"
                " in two minutes."
            )

    def let_go(self) -> None:
        """Let simulated buses out of memory where many sets were simulated; they are read from the folder again."""
        if self._sets > MOST_SETS:
            bank_for.cache_clear()
            self._sets = 0


class KeptPages:
    """The pages asked for last, packed with gzip (RFC 1952), up to so many, and so many bytes.

    Beyond either the one not asked for longest goes. A page that is being made is made once, whoever waits for it.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._bytes = 0
        self._pages: OrderedDict[Hashable, bytes] = OrderedDict()
        self._making: dict[Hashable, asyncio.Task[bytes]] = {}

    async def get(self, key: Hashable, make: Callable[[], Awaitable[str]]) -> bytes:
        """Return the page under `key`, packed, made first where there is none; all who wait get what `make` raises."""
        page = self._pages.get(key)
        if page is not None:
            self._pages.move_to_end(key)
            return page
        task = self._making.get(key)
        if task is None:
            task = self._making[key] = asyncio.ensure_future(self._made(key, make))
        # Whoever goes away must not take the page from the others.
        return await asyncio.shield(task)

    async def _made(self, key: Hashable, make: Callable[[], Awaitable[str]]) -> bytes:
        try:
            page = gzip.compress((await make()).encode(), compresslevel=5, mtime=0)
        finally:
            del self._making[key]
        self._keep(key, page)
        return page

    def _keep(self, key: Hashable, page: bytes) -> None:
        self._pages[key] = page
        self._bytes += len(page)
        while self._bytes > self._most_bytes or len(self._pages) > MOST_PAGES:
            _, oldest = self._pages.popitem(last=False)
            self._bytes -= len(oldest)


class OpenSite:
    """One frozen file and what answering from it needs; `note` stands on every page."""

    def __init__(self, path: Path, name: str, note: str = "") -> None:
        self.path, self.name, self.note = path, name, note
        self.buses = places.simulation_folder()
        self._readers = ThreadPoolExecutor(READERS, thread_name_prefix="casebase-page")
        self._simulating = Simulating()
        self._answerers = ThreadPoolExecutor(
            ANSWERERS, "casebase-answer", watch_simulations, (self._simulating.tell,)
        )
        self._waiting = 0
        self._own = threading.local()
        self._loading = asyncio.Lock()
        self._loaded = False
        self.pages = KeptPages()
        self._profiles: OrderedDict[int, Profile] = OrderedDict()
        self.index: Index | None = None
        self.embedder: Embeds | None = None
        self.lacks: list[str] = []
        self.facts: dict[str, str] = {}

    async def load(self) -> None:
        """Load index and text model; what cannot be had is left out, and said on the pages that would use it."""
        async with self._loading:
            if not self._loaded:
                await self.read(self._load)
                self._loaded = True

    async def read(self, build: Callable[[Edition], Data]) -> Data:
        """Return what `build` makes of the edition, in a thread of its own: the server goes on answering meanwhile."""
        return await self._in(self._readers, build)

    async def answer(self, build: Callable[[Edition], Data]) -> Data:
        """Return what `build` makes of the edition and may take a moment over; raise `BusyError` where many wait."""
        if self._waiting >= MOST_WAITING:
            raise BusyError(
                f"{MOST_WAITING} jobs are waiting for their answers here. Nothing is lost: the link holds the whole"
                " job. Open it again in a minute."
            )
        self._waiting += 1
        try:
            return await self._in(self._answerers, build)
        finally:
            self._waiting -= 1
            self._simulating.let_go()

    def collection(self, edition: Edition) -> Collection | None:
        """Return the cases to compare with, through this thread's connection."""
        return None if self.index is None else edition.collection(self.index)

    def collection_to_answer(self, edition: Edition) -> Collection | None:
        """Return the same for the thread that answers, which keeps what it fetched for the next job."""
        collection = self.collection(edition)
        return collection and replace(collection, kept=self._profiles)

    def close(self) -> None:
        """Let the threads go once what they are doing is done."""
        self._readers.shutdown(wait=False)
        self._answerers.shutdown(wait=False)

    async def _in(self, threads: ThreadPoolExecutor, build: Callable[[Edition], Data]) -> Data:
        return await asyncio.get_running_loop().run_in_executor(threads, self._with_edition, build)

    def _with_edition(self, build: Callable[[Edition], Data]) -> Data:
        edition = getattr(self._own, "edition", None)
        if edition is None:
            edition = self._own.edition = Edition(open_frozen(self.path))
        return build(edition)

    def _load(self, edition: Edition) -> None:
        # Small matrices: several processors working on one of them get in each other's way.
        threadpool_limits(limits=1)
        self.facts = edition.facts()
        self.index = unpack_index(edition.connection)
        if self.index is None:
            self.lacks.append("Cases are not compared: another casebase made this file. Make it again.")
            return
        fault_rows(self.index), known_good_rows(self.index)
        if self.index.text:
            self._load_embedder(self.index.text)

    def _load_embedder(self, made_by: str) -> None:
        try:
            embedder = open_embedder(places.text_model_folder(), os.environ.get(places.TEXT_MODEL_VARIABLE))
        except CasebaseError as error:
            self.lacks.append(f"Stories are not compared: {error}")
            return
        if embedder.identity == made_by:
            self.embedder = embedder
        else:
            self.lacks.append("Stories are not compared: this file was made with another text model.")


def site_of(datasette: Any) -> OpenSite | None:
    """Return the site that a Datasette instance shows; None where no file of it was frozen by casebase."""
    site: OpenSite | None = getattr(datasette, "casebase_open_site", None)
    if site is None:
        frozen = (
            OpenSite(Path(database.path), name)
            for name, database in datasette.databases.items()
            if database.path and is_frozen(Path(database.path))
        )
        site = datasette.casebase_open_site = next(frozen, None)
    return site
