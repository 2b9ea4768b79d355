"""The service of a hub: shops send bundles in parts, fetch what the hub has for them, and monitors ask how it is.

A bundle is known by the SHA-256 of the whole. Parts are appended by PATCH with `Upload-Offset` and `Upload-Complete`,
in the way of the IETF's draft "Resumable Uploads for HTTP" (draft-ietf-httpbis-resumable-upload); a token stands in
`Authorization: Bearer` (RFC 6750); what goes wrong is told as `application/problem+json` (RFC 9457).
"""

from __future__ import annotations

import asyncio
import base64
import logging
import re
import shutil
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractContextManager, asynccontextmanager, suppress
from dataclasses import dataclass, field
from http import HTTPStatus
from pathlib import Path
from typing import Any, Final, TypeVar

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from casebase.errors import CasebaseError
from casebase.exchange.health import Watched
from casebase.exchange.inbox import Arriving, Inbox, NoRoomError, UnderWayError
from casebase.exchange.offer import Offer
from casebase.exchange.refusals import Allowance, Problem, SendingProtocol, gone, told
from casebase.exchange.taking import OpenedLibrary, Stage, Taking
from casebase.library.engine import HubAddress
from casebase.library.library_file import now_text
from casebase.library.shop_tokens import ShopToken, note_used, received, token_sha256, tokens_in
from casebase.library.store import Library

MOST_PART_BYTES: Final = 8 << 20
"""Of one request (judged): what a cut connection can cost a sender is one part's head."""

STALLED_SECONDS: Final = 30.0
"""How long a part waits for its next bytes (judged)."""

PART_SECONDS: Final = 180.0
"""How long one part may take: a megabyte in that time is what the slowest line manages (judged)."""

_ANSWERS_WITHIN_SECONDS: Final = 10.0
_AWAY_SECONDS: Final = 1.0
"""How long a library that was away is not asked again: who waits for it is told at once."""

_TOKENS_KEPT_SECONDS: Final = 1.0
_HEALTH_KEPT_SECONDS: Final = 2.0
_LOOKS_EVERY_SECONDS: Final = 2.0
_NOTES_EVERY: Final = 15
"""Looks between two notes of when tokens were used, and two clearings of what was left over."""

ASKED_AT_ONCE: Final = 4
"""Questions to a hub's library at a time, each over a connection: one that hangs keeps nobody else waiting (judged)."""

_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_COUNT: Final = re.compile(r"[0-9]{1,15}")
_Done = TypeVar("_Done")

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Settings:
    """Where the library of a hub is, where bundles arrive and which one is handed out, how large one may be."""

    library: Path | HubAddress
    inbox: Path
    offer: Path | None = None
    most_bytes: int = 1_000_000_000

    def owned_inbox(self) -> AbstractContextManager[None]:
        """Hold the inbox; raise `ExchangeError` where another service does."""
        return Inbox(self.inbox).owned()


@dataclass
class _Known:
    """What was asked of the library last, and when."""

    tokens: dict[str, ShopToken] = field(default_factory=dict)
    tokens_at: float = float("-inf")
    health: dict[str, Any] = field(default_factory=dict)
    health_at: float = float("-inf")
    used: dict[str, str] = field(default_factory=dict)
    away_until: float = float("-inf")


class Hub:
    """One service over one library: its inbox, the threads that ask and the one that takes in, who may ask how much."""

    def __init__(self, settings: Settings) -> None:
        self.inbox = Inbox(settings.inbox)
        self._most_bytes = settings.most_bytes
        self._asked = OpenedLibrary(settings.library, ASKED_AT_ONCE)
        self._taker = OpenedLibrary(settings.library)
        self._taking = Taking(self._taker)
        self._offer = Offer(settings.offer, settings.inbox) if settings.offer else None
        self._allowance, self._watched, self._known = Allowance(), Watched(), _Known()
        self._receiving: dict[tuple[str, str], asyncio.Task[None]] = {}
        self._asking = asyncio.Lock()

    @asynccontextmanager
    async def alive(self, _app: Starlette) -> AsyncIterator[None]:
        """Look after the service while it runs; wait for the bundle that is being taken in when it ends."""
        looking = asyncio.create_task(self._look_after())
        try:
            yield
        finally:
            looking.cancel()
            with suppress(asyncio.CancelledError):
                await looking
            with suppress(Exception):
                await self._ask(self._note_used)
            await asyncio.to_thread(self._taker.close)
            await asyncio.to_thread(self._asked.close)

    async def health(self, _request: Request) -> Response:
        """Tell a monitor how the hub is: 200, or 503 where its library does not answer."""
        now, status = asyncio.get_running_loop().time(), HTTPStatus.OK
        told: dict[str, Any] = {"status": "ok"}
        try:
            async with self._asking:
                if now - self._known.health_at > _HEALTH_KEPT_SECONDS:
                    self._known.health = await self._ask(self._watched.health_of)
                    self._known.health_at = now
            told |= self._known.health
        except Problem as problem:
            told, status = {"status": "away", "why": problem.told}, problem.status
        told |= {
            "bundles_waiting": self._taking.waiting(),
            "inbox_free_bytes": shutil.disk_usage(self.inbox.folder).free,
            "at": now_text(),
        }
        return JSONResponse(told, status, headers={"cache-control": "no-store"})

    async def standing(self, request: Request) -> Response:
        """Tell a shop how far one of its bundles is."""
        async with self._for_a_shop(request) as (token, sha256):
            return await self._standing(token, sha256)

    async def append(self, request: Request) -> Response:
        """Take the next part of a bundle; with the last one it waits to be taken in."""
        async with self._for_a_shop(request) as (token, sha256):
            offset, length, is_last = self._announced(request)
            if await self._ask(lambda library: received(library, sha256, token.source)) is not None:
                return await self._standing(token, sha256)
            if sha256 not in self._taking.waiting_of(token.source):
                self._taking.forget(token.source, sha256)
                await self._received(request, token, sha256, offset, length)
                bundle = self.inbox.arriving(token.source, sha256)
                if bundle is not None and is_last and bundle.is_whole and not self._taking.add(token, bundle):
                    told = "too many bundles wait: send it again later"
                    raise Problem(HTTPStatus.SERVICE_UNAVAILABLE, told, retry_after="20")
            return await self._standing(token, sha256)

    async def offered(self, request: Request) -> Response:
        """Hand out the bundle of the lead; nothing where the shop has it already."""
        async with self._for_a_shop(request):
            if self._offer is None or (self._offer.current is None and not self._offer.is_new()):
                return Response(status_code=HTTPStatus.NO_CONTENT)
            offered = self._offer.current
            if offered is None:
                raise Problem(
                    HTTPStatus.SERVICE_UNAVAILABLE, "the hub looks at it first: come back", retry_after="2"
                )
            told = {
                "etag": f'"{offered.sha256}"',
                "repr-digest": f"sha-256=:{base64.b64encode(bytes.fromhex(offered.sha256)).decode()}:",
                "cache-control": "private, no-cache",
            }
            if told["etag"] in re.split(r"\s*,\s*", request.headers.get("if-none-match", "")):
                return Response(status_code=HTTPStatus.NOT_MODIFIED, headers=told)
            return FileResponse(offered.path, headers=told, media_type="application/zip")

    @asynccontextmanager
    async def _for_a_shop(self, request: Request) -> AsyncIterator[tuple[ShopToken, str]]:
        """Yield whose token a request bears and which bundle it is of; raise `Problem` where it is not answered."""
        token = await self._token_of(request)
        if seconds := self._allowance.seconds_to_wait(token.sha256):
            raise Problem(
                HTTPStatus.TOO_MANY_REQUESTS, "too many requests: wait", retry_after=f"{seconds + 1:.0f}"
            )
        sha256 = request.path_params.get("sha256", "")
        if "sha256" in request.path_params and not _SHA256.fullmatch(sha256):
            raise Problem(HTTPStatus.NOT_FOUND, "a bundle is asked for by its SHA-256")
        self._known.used[token.sha256] = now_text()
        with self._allowance.one_more(token.sha256) as is_fine:
            if not is_fine:
                raise Problem(
                    HTTPStatus.TOO_MANY_REQUESTS, "too many requests at once: wait", retry_after="1"
                )
            yield token, sha256

    async def _token_of(self, request: Request) -> ShopToken:
        kind, _, told = request.headers.get("authorization", "").partition(" ")
        async with self._asking:
            now = asyncio.get_running_loop().time()
            if now - self._known.tokens_at > _TOKENS_KEPT_SECONDS:
                made = await self._ask(tokens_in)
                self._known.tokens = {one.sha256: one for one in made if one.revoked_at is None}
                self._known.tokens_at = now
        token = self._known.tokens.get(token_sha256(told.strip()))
        if kind.casefold() != "bearer" or token is None:
            raise Problem(
                HTTPStatus.UNAUTHORIZED,
                "this token lets nobody in: ask the hub's lead for another",
                www_authenticate="Bearer",
            )
        return token

    def _announced(self, request: Request) -> tuple[int, int, bool]:
        """Return offset, length of the whole, and whether the part is the last; raise `Problem` for anything else."""
        offset, length = (request.headers.get(name, "") for name in ("upload-offset", "upload-length"))
        complete, count = (
            request.headers.get("upload-complete", ""),
            request.headers.get("content-length", "0"),
        )
        if complete not in ("?0", "?1") or not all(map(_COUNT.fullmatch, (offset, length, count))):
            raise Problem(HTTPStatus.BAD_REQUEST, "expected Upload-Offset, Upload-Length and Upload-Complete")
        if int(length) > self._most_bytes:
            raise Problem(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"this hub takes bundles of {self._most_bytes} bytes at most",
            )
        if int(count) > MOST_PART_BYTES or int(offset) + int(count) > int(length) or not int(length):
            raise Problem(
                HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
                f"a part has {MOST_PART_BYTES} bytes at most, and none beyond the length of the whole",
            )
        return int(offset), int(length), complete == "?1"

    async def _received(
        self, request: Request, token: ShopToken, sha256: str, offset: int, length: int
    ) -> None:
        """Append what a request brings; what came stays there, however the request ends.

        Who sends on over another connection takes over: the one before may be dead without anybody's knowing.
        """
        key = (token.source, sha256)
        while (earlier := self._receiving.get(key)) is not None and not earlier.done():
            earlier.cancel()
            await asyncio.wait([earlier])
        bundle = self.inbox.begun(token.source, sha256, length, self._taking.waiting_of(token.source))
        if bundle.offset != offset:
            raise Problem(HTTPStatus.CONFLICT, "expected the next byte", upload_offset=str(bundle.offset))
        receiving = self._receiving[key] = asyncio.create_task(_append(request, bundle))
        try:
            await asyncio.wait([receiving])
        finally:
            receiving.cancel()
            if self._receiving.get(key) is receiving:
                del self._receiving[key]
        if receiving.cancelled():
            told = "it goes on over another connection"
            raise Problem(HTTPStatus.CONFLICT, told, retry_after="1", connection="close")
        receiving.result()

    async def _standing(self, token: ShopToken, sha256: str) -> Response:
        standing = self._taking.standing(token.source, sha256)
        if standing is None:
            counted = await self._ask(lambda library: received(library, sha256, token.source))
            if counted is not None:
                return JSONResponse({"state": "taken in", "cases": counted})
        if standing is not None and standing.stage is Stage.REFUSED:
            raise Problem(HTTPStatus.UNPROCESSABLE_ENTITY, standing.why)
        if standing is not None and standing.stage is not Stage.PUT_OFF:
            return JSONResponse({"state": str(standing.stage)}, HTTPStatus.ACCEPTED)
        bundle = self.inbox.arriving(token.source, sha256)
        if bundle is None:
            raise Problem(HTTPStatus.NOT_FOUND, "nothing of this bundle is here")
        told = {"upload-offset": str(bundle.offset), "upload-complete": "?0"}
        if standing is not None:
            return JSONResponse({"state": str(standing.stage), "why": standing.why}, headers=told)
        return JSONResponse({"state": "arriving"}, headers=told)

    async def _ask(self, work: Callable[[Library], _Done]) -> _Done:
        """Return what the library says; raise `Problem` where it is away."""
        loop = asyncio.get_running_loop()
        try:
            if loop.time() < self._known.away_until:
                raise TimeoutError("it was away a moment ago")
            done = self._asked.submit(lambda: work(self._asked.opened()))
            return await asyncio.wait_for(asyncio.wrap_future(done), _ANSWERS_WITHIN_SECONDS)
        except (CasebaseError, TimeoutError, OSError) as error:
            if loop.time() >= self._known.away_until:
                log.warning("the library is away: %s", error)
                self._known.away_until = loop.time() + _AWAY_SECONDS
            raise Problem(
                HTTPStatus.SERVICE_UNAVAILABLE,
                "the hub's library is away just now: nothing is lost",
                retry_after="5",
            ) from None

    async def _look_after(self) -> None:
        """See to what is handed out, note who was here, remove what was left over."""
        looks = 0
        while True:
            if self._offer is not None and self._offer.is_new():
                with suppress(Exception):
                    await asyncio.wrap_future(self._taker.submit(self._look_at_offer))
            if looks % _NOTES_EVERY == 0:
                with suppress(Exception):
                    await self._ask(self._note_used)
                    await asyncio.to_thread(self.inbox.remove_left_over)
            looks += 1
            await asyncio.sleep(_LOOKS_EVERY_SECONDS)

    def _look_at_offer(self) -> None:
        if self._offer is not None:
            self._offer.look(self._taker.opened())

    def _note_used(self, library: Library) -> None:
        used = dict(self._known.used)
        if used:
            note_used(library, used)
            self._known.used = {token: at for token, at in self._known.used.items() if used.get(token) != at}


async def _append(request: Request, bundle: Arriving) -> None:
    left = min(MOST_PART_BYTES, bundle.length - bundle.offset)
    parts = request.stream().__aiter__()
    with bundle.path.open("ab") as file, suppress(StopAsyncIteration):
        try:
            async with asyncio.timeout(PART_SECONDS):
                while True:
                    part = await asyncio.wait_for(anext(parts), STALLED_SECONDS)
                    left -= len(part)
                    if left < 0:
                        raise Problem(
                            HTTPStatus.REQUEST_ENTITY_TOO_LARGE, "more than was announced", connection="close"
                        )
                    file.write(part)
        except TimeoutError:
            raise Problem(
                HTTPStatus.REQUEST_TIMEOUT, "too slow: go on with a smaller part", connection="close"
            ) from None
        except OSError as error:
            log.warning("%s: %s", bundle.path, error)
            raise Problem(
                HTTPStatus.INSUFFICIENT_STORAGE, "the hub has no room for it: tell its operator"
            ) from None


def service(settings: Settings) -> Starlette:
    """Return the application of a hub."""
    hub = Hub(settings)
    handlers: dict[Any, Callable[[Request, Exception], Awaitable[Response]]] = {
        **dict.fromkeys((Problem, HTTPException, UnderWayError, NoRoomError), told),
        ClientDisconnect: gone,
        Exception: told,
    }
    routes = [
        Route("/health", hub.health),
        Route("/bundles/{sha256}", hub.standing, methods=["GET"]),
        Route("/bundles/{sha256}", hub.append, methods=["PATCH"]),
        Route("/offer", hub.offered),
    ]
    return Starlette(routes=routes, exception_handlers=handlers, lifespan=hub.alive)


def server_of(settings: Settings) -> uvicorn.Server:
    """Return a server of a hub, not started yet."""
    return uvicorn.Server(
        uvicorn.Config(
            service(settings),
            http=SendingProtocol,
            ws="none",
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="on",
            timeout_graceful_shutdown=10,
        )
    )
