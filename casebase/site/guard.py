"""What stands between the network and every page: reading only, bounded addresses, known hosts."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable
from http import HTTPStatus
from typing import Any, Final

from casebase.site.connections import Hosts
from casebase.site.respond import plain_page

App = Callable[[Any, Any, Any], Awaitable[None]]
Headers = list[tuple[bytes, bytes]]

LONGEST_QUERY_BYTES: Final = 2 << 20
"""The page of a stuck job says itself what does not fit a link, and answers the rest; above this nothing is read."""

POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; script-src 'self'; form-action 'self';"
    " base-uri 'none'; frame-ancestors 'none'"
)

_HEADERS: Final[Headers] = [
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
]

_READING: Final = ("GET", "HEAD")
_OPEN_INSIDE: Final = ("/-/static/", "/-/casebase/")
"""Of Datasette's own inside (`/-/`) only style and scripts: the rest tells of the computer, or signs people in."""


def guarded(app: App, hosts: Hosts | None = None) -> App:
    """Return the application with the guard before it; `hosts` tells for whom it answers, None for anybody."""

    async def guard(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        sent = _with_headers(send, scope["method"] == "HEAD")
        refused = _asked_for_another(scope, hosts) or _refused(scope)
        if refused is None:
            await app({**scope, "method": "GET"}, receive, sent)
        else:
            await _answer(sent, *refused)

    return guard


def _asked_for_another(scope: Any, hosts: Hosts | None) -> tuple[HTTPStatus, str] | None:
    """Return why a request under this name is not answered, None where it is."""
    asked = next((value for name, value in scope.get("headers", ()) if bytes(name).lower() == b"host"), b"")
    host = bytes(asked).decode("latin-1")
    if hosts is None or hosts.are_these(host):
        return None
    return (
        HTTPStatus.MISDIRECTED_REQUEST,
        "These cases are not shown under that name. Ask for the address that casebase browse printed, or have it"
        " started with --name and this name.",
    )


def _refused(scope: Any) -> tuple[HTTPStatus, str] | None:
    """Return why a request is not answered, None where it is."""
    if scope["method"] not in _READING:
        return HTTPStatus.METHOD_NOT_ALLOWED, "Nothing can be changed from here: these pages are for reading."
    if len(scope.get("query_string") or b"") > LONGEST_QUERY_BYTES:
        return (
            HTTPStatus.REQUEST_URI_TOO_LONG,
            "That is more than a link can hold. Give the codes and readings that matter most, or put the whole job"
            " into a case file and ask with casebase similar.",
        )
    path = scope["path"]
    if path.startswith("/-/") and not path.startswith(_OPEN_INSIDE):
        return HTTPStatus.NOT_FOUND, "There is no such page."
    return None


async def _answer(send: Any, status: HTTPStatus, words: str) -> None:
    body = plain_page(status, words).encode()
    headers = [(b"content-type", b"text/html; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    if status is HTTPStatus.METHOD_NOT_ALLOWED:
        headers.append((b"allow", ", ".join(_READING).encode()))
    await send({"type": "http.response.start", "status": int(status), "headers": headers})
    await send({"type": "http.response.body", "body": body})


def _with_headers(send: Any, head_only: bool) -> Callable[[Any], Awaitable[None]]:
    async def sent(message: Any) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*_kept(message.get("headers", [])), *_HEADERS]}
        elif head_only:
            message = {**message, "body": b""}
        await send(message)

    return sent


def _kept(headers: Iterable[Any]) -> list[Any]:
    ours = {name for name, _ in _HEADERS}
    return [(name, value) for name, value in headers if bytes(name).lower() not in ours]
