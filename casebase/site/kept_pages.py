"""Pages made once and given again: of a frozen file the same address is the same page, for everybody."""

from __future__ import annotations

import asyncio
import gzip
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Hashable
from typing import Final

MOST_BYTES: Final = 32 << 20


class KeptPages:
    """The pages asked for last, packed with gzip (RFC 1952), up to so many bytes.

    A page that is being made is made once, whoever waits for it.
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
        while self._bytes > self._most_bytes:
            _, oldest = self._pages.popitem(last=False)
            self._bytes -= len(oldest)
