"""When a service turns a request down: how much one shop may ask, and how it is told why (RFC 9457)."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Final

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from casebase.exchange.inbox import NoRoomError, UnderWayError
from casebase.site.connections import BoundedProtocol

REQUESTS_A_SECOND: Final = 20.0
"""A bundle of a hundred megabytes is a hundred requests (judged)."""

REQUESTS_SAVED: Final = 200.0
"""What a shop that was silent may ask at once (judged)."""

REQUESTS_AT_ONCE: Final = 8


@dataclass
class _Account:
    left: float = REQUESTS_SAVED
    at: float = field(default_factory=time.monotonic)


class Allowance:
    """What each token may ask, by a bucket that fills with time."""

    def __init__(self) -> None:
        self._accounts: dict[str, _Account] = {}
        self._open = Counter[str]()

    def seconds_to_wait(self, token: str) -> float:
        """Take one request from what a token may ask; return how long it has to wait first, 0 where it may ask."""
        account, now = self._accounts.setdefault(token, _Account()), time.monotonic()
        account.left = min(REQUESTS_SAVED, account.left + (now - account.at) * REQUESTS_A_SECOND)
        account.at = now
        if account.left < 1:
            return (1 - account.left) / REQUESTS_A_SECOND
        account.left -= 1
        return 0.0

    @contextmanager
    def one_more(self, token: str) -> Iterator[bool]:
        """Yield whether a token may have one more request open at the same time."""
        self._open[token] += 1
        try:
            yield self._open[token] <= REQUESTS_AT_ONCE
        finally:
            self._open[token] -= 1
            if not self._open[token]:
                del self._open[token]


class SendingProtocol(BoundedProtocol):
    """A connection over which bundles come: what a request brings is written away, and none of it is held."""

    def data_received(self, data: bytes) -> None:
        """Take bytes of a request; those of a body are let go by uvicorn as they are read."""
        super().data_received(data)
        if self.is_answering:
            self.held_bytes = 0


# --- told to the sender -------------------------------------------------------------------------------------------


class Problem(Exception):  # noqa: N818  it is what RFC 9457 calls it
    """Why a request is not done: the status, a sentence, and headers that say more."""

    def __init__(self, status: HTTPStatus, told: str, **headers: str) -> None:
        super().__init__(told)
        self.status, self.told = status, told
        self.headers = {name.replace("_", "-"): value for name, value in headers.items()}


async def told(_request: Request, problem: Exception) -> Response:
    """Answer with why a request was not done."""
    status, why, headers = HTTPStatus.INTERNAL_SERVER_ERROR, "an error of the hub: tell its operator", {}
    if isinstance(problem, Problem):
        status, why, headers = problem.status, problem.told, problem.headers
    elif isinstance(problem, HTTPException):
        status, why = HTTPStatus(problem.status_code), problem.detail
    elif isinstance(problem, UnderWayError):
        status, why, headers = HTTPStatus.CONFLICT, str(problem), {"retry-after": "5"}
    elif isinstance(problem, NoRoomError):
        status, why = HTTPStatus.INSUFFICIENT_STORAGE, str(problem)
    return JSONResponse(
        {"title": status.phrase, "status": int(status), "detail": why},
        status,
        headers=headers,
        media_type="application/problem+json",
    )


async def gone(_request: Request, _problem: Exception) -> Response:
    """Answer nobody: the sender is gone."""
    return Response(status_code=HTTPStatus.BAD_REQUEST)
