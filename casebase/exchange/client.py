"""What a shop does with its hub over the network: send a bundle in parts, fetch what the hub has for its shops.

A lost connection is tried again, and whoever tries again later goes on where it ended. The token goes to the hub alone:
over HTTPS, or in clear to this very computer.
"""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from pathlib import Path
from typing import IO, Any, Final
from urllib.parse import urlsplit

import httpx

from casebase import __version__
from casebase.errors import ExchangeError, shown
from casebase.files import make_owners_folder, sha256_of_file, write_at_once
from casebase.library.shop_tokens import is_token
from casebase.publish.bundle_archive import LARGEST_WHOLE_BYTES
from casebase.site.connections import is_loopback

TOKEN_VARIABLE: Final = "CASEBASE_TOKEN"
"""The environment variable that holds the token of this shop."""

PART_BYTES: Final = 1 << 20
_PAUSES: Final = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Seconds before a lost connection is tried again, each time (judged)."""

_LONGEST_PAUSE: Final = 30.0
_ASKS_AGAIN_SECONDS: Final = (0.1, 0.2, 0.5, 1.0, 2.0)
_MOST_IN_VAIN: Final = 30
_TIMES: Final = httpx.Timeout(60.0, connect=10.0)
_LONGEST_TOLD: Final = 4000
_AGAIN: Final = "nothing is lost: what arrived is kept there, and the same command goes on from it later"

Tell = Callable[[int, int], None]
"""Is told how many bytes of how many went over."""


@dataclass(frozen=True)
class Received:
    """What a hub says of a bundle: how many cases became what, and whether it had it before."""

    cases: dict[str, int]
    already: bool


def hub_url(text: str) -> str:
    """Return the address of a hub's service without a slash at its end.

    Raises `ExchangeError` for one that is no address, holds a password, or would carry the token in clear.

    >>> hub_url("https://hub.example/"), hub_url("http://127.0.0.1:8602")
    ('https://hub.example', 'http://127.0.0.1:8602')
    """
    try:
        parts = urlsplit(text)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        host = ""
    if (
        not host
        or not text.isprintable()
        or parts.scheme not in ("https", "http")
        or parts.query
        or parts.fragment
    ):
        raise ExchangeError(f"'{shown(text)}': no address of a hub: expected one such as https://hub.example")
    if parts.username is not None:
        raise ExchangeError(
            f"{TOKEN_VARIABLE} or a file holds the token, and no address does: https://{host}"
        )
    if parts.scheme == "http" and not is_loopback(host):
        raise ExchangeError(
            f"'{shown(text)}': that would send the token and the cases in clear: use the hub's https:// address"
        )
    return text.rstrip("/")


def own_token(file: Path) -> str:
    """Return the token of this shop, from the environment or a file that its owner alone may read."""
    told = os.environ.get(TOKEN_VARIABLE)
    where = f"the variable {TOKEN_VARIABLE}"
    if told is None:
        where = str(file)
        try:
            mode, told = file.stat().st_mode, file.read_text("ascii")
        except (OSError, UnicodeDecodeError):
            raise ExchangeError(
                f"{file}: no token can be read there: put the one that the hub's lead gave you into that file, for your"
                f" eyes alone, or into the variable {TOKEN_VARIABLE}"
            ) from None
        if os.name == "posix" and stat.S_IMODE(mode) & 0o077:
            raise ExchangeError(f"{file}: others can read your token: chmod 600 '{file}'")
    if not is_token(told.strip()):
        raise ExchangeError(f"{where}: holds no token as the hub's lead makes them: copy it again, all of it")
    return told.strip()


class HubClient:
    """A hub as one shop reaches it. Use as a context manager."""

    def __init__(self, url: str, token: str, pauses: tuple[float, ...] = _PAUSES) -> None:
        self._url, self._pauses = url, pauses
        self._http = httpx.Client(
            headers={"authorization": f"Bearer {token}", "user-agent": f"casebase/{__version__}"},
            timeout=_TIMES,
            trust_env=url.startswith("https:"),  # no proxy sees what goes to this computer in clear
        )

    def __enter__(self) -> HubClient:
        return self

    def __exit__(self, *_: object) -> None:
        self._http.close()

    def send(self, bundle: Path, tell: Tell) -> Received:
        """Send a bundle, all or what is missing of it, and wait until the hub has taken it in.

        Raises `ExchangeError` where the hub refuses it or is not reached.
        """
        sha256, length = sha256_of_file(bundle), bundle.stat().st_size
        answer = self._asked("GET", f"/bundles/{sha256}")
        if _state(answer) == "taken in":
            return Received(answer.json()["cases"], already=True)
        with bundle.open("rb") as file:
            sending = _Sending(self._asked, f"/bundles/{sha256}", file, length, tell)
            if (
                answer.status_code == HTTPStatus.UNPROCESSABLE_ENTITY
            ):  # refused before: perhaps it is not by now
                answer = sending.part(0)
            while _state(answer) != "taken in":
                answer = sending.next_after(answer)
        return Received(answer.json()["cases"], already=False)

    def fetch(self, folder: Path, had: str | None, tell: Tell) -> tuple[Path, str] | None:
        """Fetch what the hub has for its shops into a folder; return the file and its SHA-256.

        None where there is nothing, or what the shop `had` already. Raises `ExchangeError` where the hub is not
        reached: what arrived stays in the folder.
        """
        make_owners_folder(folder)
        part, tried, there = _Fetched(folder), 0, -1
        while True:
            try:
                with self._http.stream("GET", f"{self._url}/offer", headers=part.headers(had)) as answer:
                    if answer.status_code == HTTPStatus.NO_CONTENT:
                        return None
                    if answer.status_code == HTTPStatus.NOT_MODIFIED:
                        return part.whole(_quoted(answer)) if _quoted(answer) != had else None
                    if answer.status_code in (HTTPStatus.OK, HTTPStatus.PARTIAL_CONTENT):
                        part.take(answer, tell)
                        return part.whole(_quoted(answer))
                    answer.read()
                    if answer.status_code == HTTPStatus.REQUESTED_RANGE_NOT_SATISFIABLE:
                        part.begin_again()
                    elif not _comes_back(answer):
                        raise ExchangeError(_refusal(answer))
                    why, pause = _detail(answer), _pause_of(answer, 0.0)
            except httpx.TransportError as error:
                why, pause = self._why_not_reached(error), 0.0
            tried, there = (tried + 1 if part.there() <= there else 1), max(there, part.there())
            if tried > len(self._pauses):
                raise ExchangeError(f"{self._url}: {why}; {_AGAIN}")
            time.sleep(max(pause, self._pauses[tried - 1]))

    def _asked(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Return what the hub answers; a lost connection and a busy hub are tried again."""
        why = ""
        for seconds in (*self._pauses, None):
            try:
                answer = self._http.request(method, f"{self._url}{path}", **more)
            except httpx.TransportError as error:
                why, pause = self._why_not_reached(error), seconds or 0.0
            else:
                if not _comes_back(answer):
                    return answer
                why, pause = _detail(answer), _pause_of(answer, seconds)
            if seconds is not None:
                time.sleep(pause)
        raise ExchangeError(f"{self._url}: {why}; {_AGAIN}")

    def _why_not_reached(self, error: httpx.TransportError) -> str:
        """Return why the hub is not reached; raise `ExchangeError` where trying again cannot help."""
        said = shown(str(error))[:200]
        if "WRONG_VERSION_NUMBER" in said:
            raise ExchangeError(
                f"{self._url}: no HTTPS is spoken there: see the address, or ask the hub's operator"
            ) from None
        if "CERTIFICATE" in said.upper():
            raise ExchangeError(
                f"{self._url}: it cannot prove that it is your hub ({said}): nothing was sent; ask its operator, and"
                " where your own authority made its certificate, name that one's file in SSL_CERT_FILE"
            ) from None
        return f"the hub is not reached ({said or type(error).__name__})"


class _Sending:
    """One bundle on its way, part by part."""

    def __init__(
        self, asked: Callable[..., httpx.Response], path: str, file: IO[bytes], length: int, tell: Tell
    ) -> None:
        self._asked, self._path, self._file, self._length, self._tell = asked, path, file, length, tell
        self._furthest, self._in_vain, self._waits = -1, 0, 0

    def part(self, offset: int) -> httpx.Response:
        """Send the part that begins at a byte; return the answer."""
        self._tell(offset, self._length)
        self._file.seek(offset)
        content = self._file.read(PART_BYTES)
        headers = {
            "upload-offset": str(offset),
            "upload-length": str(self._length),
            "upload-complete": "?1" if offset + len(content) == self._length else "?0",
            "content-type": "application/partial-upload",
        }
        return self._asked("PATCH", self._path, content=content, headers=headers)

    def next_after(self, answer: httpx.Response) -> httpx.Response:
        """Do what an answer asks for, and return the next one; raise `ExchangeError` where it is a refusal."""
        if answer.status_code == HTTPStatus.ACCEPTED:
            self._tell(self._length, self._length)
            time.sleep(_ASKS_AGAIN_SECONDS[min(self._waits, len(_ASKS_AGAIN_SECONDS) - 1)])
            self._waits += 1
            return self._asked("GET", self._path)
        if answer.status_code not in _GOES_ON:
            raise ExchangeError(_refusal(answer))
        offset = 0 if answer.status_code == HTTPStatus.NOT_FOUND else _offset_in(answer)
        is_known = answer.status_code != HTTPStatus.OK or _told(answer).get("state") in _STATES
        if not _told(answer) or not is_known or (offset or 0) > self._length:
            raise ExchangeError(f"{answer.url.host}: no hub of this casebase answers there: see the address")
        if offset is None or offset <= self._furthest:
            self._wait_in_vain(answer)
        if offset is None:
            return self._asked("GET", self._path)
        self._furthest = offset
        return self.part(offset)

    def _wait_in_vain(self, answer: httpx.Response) -> None:
        """Wait a moment where nothing went forward; raise `ExchangeError` where that happens ever again."""
        self._in_vain += 1
        if self._in_vain > _MOST_IN_VAIN:
            raise ExchangeError(f"{answer.url}: {_detail(answer)}; {_AGAIN}")
        time.sleep(_pause_of(answer, min(0.1 * self._in_vain, 2.0)))


class _Fetched:
    """A file on its way from the hub: what of it is there, and of which one that is."""

    def __init__(self, folder: Path) -> None:
        self._path, self._mark = folder / "fetched.zip", folder / "fetched-of"

    def headers(self, had: str | None) -> dict[str, str]:
        """Return what is asked: nothing that is here already, and of what is here in part the rest alone."""
        of, there = self._of(), self.there()
        asked = {"accept-encoding": "identity"}
        if known := [
            f'"{sha256}"' for sha256 in (had, of if there and self._is_whole(of) else None) if sha256
        ]:
            asked["if-none-match"] = ", ".join(known)
        if of and there:
            asked |= {"range": f"bytes={there}-", "if-range": f'"{of}"'}
        return asked

    def take(self, answer: httpx.Response, tell: Tell) -> None:
        """Write what comes behind what is there, or anew where the hub has another one by now."""
        begins = answer.status_code == HTTPStatus.OK
        if begins:
            self.begin_again()
            write_at_once(self._mark, _quoted(answer).encode())
        whole = self.there() + int(answer.headers.get("content-length", "0"))
        if whole > LARGEST_WHOLE_BYTES:
            raise ExchangeError(
                f"the hub offers {whole} bytes, and a bundle has {LARGEST_WHOLE_BYTES} at most"
            )
        with self._path.open("ab") as file:
            for content in answer.iter_raw():
                file.write(content)
                tell(file.tell(), whole)
                if file.tell() > LARGEST_WHOLE_BYTES:
                    raise ExchangeError(f"the hub sends more than {LARGEST_WHOLE_BYTES} bytes: tell its lead")

    def whole(self, sha256: str) -> tuple[Path, str]:
        """Return the file and its SHA-256; raise `ExchangeError` where it is not what the hub announced."""
        if not self._is_whole(sha256):
            self.begin_again()
            raise ExchangeError("what arrived is not what the hub announced, by its SHA-256: fetch it again")
        return self._path, sha256

    def begin_again(self) -> None:
        """Remove what is there."""
        self._mark.unlink(missing_ok=True)
        self._path.unlink(missing_ok=True)

    def _is_whole(self, sha256: str) -> bool:
        return self._path.is_file() and sha256_of_file(self._path) == sha256

    def there(self) -> int:
        """Return how many bytes are there."""
        return self._path.stat().st_size if self._path.is_file() else 0

    def _of(self) -> str:
        return self._mark.read_text("ascii") if self._mark.is_file() else ""


_GOES_ON: Final = (HTTPStatus.OK, HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.REQUEST_TIMEOUT)
_STATES: Final = ("arriving", "put off")
_COMES_BACK: Final = (
    HTTPStatus.TOO_MANY_REQUESTS,
    HTTPStatus.BAD_GATEWAY,
    HTTPStatus.SERVICE_UNAVAILABLE,
    HTTPStatus.GATEWAY_TIMEOUT,
)


def _comes_back(answer: httpx.Response) -> bool:
    """Return whether a hub, or the proxy before it, is busy or away and may be asked again."""
    return answer.status_code in _COMES_BACK


def _told(answer: httpx.Response) -> dict[str, Any]:
    """Return what an answer says; nothing where that is no JSON, as from a proxy."""
    try:
        told = answer.json()
    except ValueError:
        return {}
    return told if isinstance(told, dict) else {}


def _state(answer: httpx.Response) -> str:
    told = _told(answer)
    return str(told.get("state", "")) if answer.status_code == HTTPStatus.OK and _is_counted(told) else ""


def _is_counted(told: dict[str, Any]) -> bool:
    """Return whether what a hub counted are counts: it may be anybody."""
    cases = told.get("cases", {})
    return isinstance(cases, dict) and all(type(count) is int for count in cases.values())


def _detail(answer: httpx.Response) -> str:
    told = _told(answer)
    said = told.get("detail") or told.get("why") or f"answers {answer.status_code} {answer.reason_phrase}"
    return shown(str(said))[:_LONGEST_TOLD]


def _refusal(answer: httpx.Response) -> str:
    return f"{answer.url.host}: {_detail(answer)}"


def _offset_in(answer: httpx.Response) -> int | None:
    told = answer.headers.get("upload-offset", "")
    return int(told) if told.isascii() and told.isdigit() and len(told) < 16 else None


def _pause_of(answer: httpx.Response, seconds: float | None) -> float:
    """Return how long to wait: what the hub asks for, within bounds."""
    told = answer.headers.get("retry-after", "")
    asked = float(told) if told.isascii() and told.isdigit() else 0.0
    return min(max(asked, seconds or 0.0), _LONGEST_PAUSE)


def _quoted(answer: httpx.Response) -> str:
    """Return the SHA-256 that stands as the mark of what a hub offers; raise `ExchangeError` for any other mark."""
    told = str(answer.headers.get("etag", "")).strip('"')
    if len(told) != 2 * hashlib.sha256().digest_size or not set(told) <= set("0123456789abcdef"):
        raise ExchangeError(f"{answer.url.host}: no hub of this casebase answers there: see the address")
    return told
