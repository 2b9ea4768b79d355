"""Taking in what shops sent: one bundle after the other, by the same functions and with the same refusals as a file.

What the lead decides for a file by options (whose it is, which key is theirs) was decided when the token was made.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from threading import Lock
from typing import Final, TypeVar

from casebase.errors import BundleError, CasebaseError, LibraryError, shown
from casebase.exchange.inbox import Arriving, refuse_other_content
from casebase.library.engine import HubAddress
from casebase.library.shop_tokens import ShopToken, note_received, tokens_in
from casebase.library.sources import key_of
from casebase.library.store import Library
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.senders import sender_of
from casebase.publish.signing import fingerprint, fingerprint_digits
from casebase.publish.taking_in import take_in

_Done = TypeVar("_Done")

_LONGEST_TOLD: Final = 4000
_REFUSALS_KEPT: Final = 1000

MOST_WAITING: Final = 200
"""Bundles that wait to be taken in; whoever comes then is asked to come back (judged)."""

_AWAY: Final = "the hub's library is away just now; nothing is lost: send it again"

log = logging.getLogger(__name__)


class OpenedLibrary:
    """A library that threads of its own ask: `threads` of them on a hub, and one in a file.

    Opened when it is first needed. A file is opened again where it cannot be read any more; the connections to a hub
    see to themselves.
    """

    def __init__(self, place: Path | HubAddress, threads: int = 1) -> None:
        self._place, self._pool = place, threads if isinstance(place, HubAddress) else 0
        self._threads = ThreadPoolExecutor(self._pool or 1)
        self._opening = Lock()
        self._library: Library | None = None

    def submit(self, work: Callable[[], _Done]) -> Future[_Done]:
        """Let a thread do something."""
        return self._threads.submit(work)

    def opened(self) -> Library:
        """Return the library, in one of its threads; raise `LibraryError` where it is away."""
        with self._opening:
            if self._library is not None and not self._pool:
                try:
                    self._library.fact("derived version")
                except LibraryError:
                    self._close()
            if self._library is None:
                self._library = Library.open(self._place, self._pool)
            return self._library

    def close(self) -> None:
        """Wait for what is being done, then close the library."""
        if not self._pool:  # a file is closed by the thread that opened it
            self._threads.submit(self._close)
        self._threads.shutdown(wait=True)
        self._close()

    def _close(self) -> None:
        library, self._library = self._library, None
        if library is not None:
            with suppress(Exception):  # it may be gone, with its connection
                library.close()


class Stage(StrEnum):
    """How far a bundle is that arrived whole."""

    WAITING = "waiting"
    TAKING_IN = "being taken in"
    REFUSED = "refused"
    PUT_OFF = "put off"


_ENDED: Final = (Stage.REFUSED, Stage.PUT_OFF)


@dataclass(frozen=True)
class Standing:
    """How far a bundle is, and why, where it was refused or put off."""

    stage: Stage
    why: str = ""


class Taking:
    """Bundles that arrived whole, taken in one after the other in a thread of its own.

    Of one that was taken in the library knows; a refusal is known here until this ends.
    """

    def __init__(self, library: OpenedLibrary) -> None:
        self._library = library
        self._standings: dict[tuple[str, str], Standing] = {}
        self._lock = Lock()

    def standing(self, source: str, sha256: str) -> Standing | None:
        """Return how far a bundle of a shop is; None where nobody knows it."""
        with self._lock:
            return self._standings.get((source, sha256))

    def waiting_of(self, source: str) -> set[str]:
        """Return the bundles of a shop that are to be taken in."""
        with self._lock:
            return {
                sha256
                for (whose, sha256), one in self._standings.items()
                if whose == source and not _ended(one)
            }

    def waiting(self) -> int:
        """Return how many bundles are to be taken in."""
        with self._lock:
            return sum(not _ended(one) for one in self._standings.values())

    def forget(self, source: str, sha256: str) -> None:
        """Forget that a bundle was refused or put off: it is sent again."""
        with self._lock:
            there = self._standings.get((source, sha256))
            if there is not None and _ended(there):
                del self._standings[source, sha256]

    def add(self, token: ShopToken, bundle: Arriving) -> bool:
        """Let a bundle be taken in when its turn comes; return False where too many wait."""
        key = (token.source, bundle.sha256)
        with self._lock:
            there = self._standings.get(key)
            if there is not None and not _ended(there):
                return True
            if sum(not _ended(one) for one in self._standings.values()) >= MOST_WAITING:
                return False
            self._standings.pop(key, None)
            for ended in [each for each, one in self._standings.items() if _ended(one)][:-_REFUSALS_KEPT]:
                del self._standings[ended]
            self._standings[key] = Standing(Stage.WAITING)
        self._library.submit(lambda: self._take(token, bundle))
        return True

    def _take(self, token: ShopToken, bundle: Arriving) -> None:
        key = (token.source, bundle.sha256)
        self._set(key, Standing(Stage.TAKING_IN))
        try:
            refuse_other_content(bundle)
            _taken_in(self._library.opened(), token, bundle)
        except (LibraryError, OSError) as error:
            log.warning("a bundle of %s is put off: %s", token.source, error)
            self._set(
                key,
                Standing(Stage.PUT_OFF, _AWAY),
            )
            return
        except CasebaseError as error:
            bundle.path.unlink(missing_ok=True)
            self._set(key, Standing(Stage.REFUSED, _without_places(error, bundle.path)))
            return
        except Exception:
            log.exception("a bundle of %s could not be taken in", token.source)
            self._set(
                key,
                Standing(Stage.PUT_OFF, "it could not be taken in: tell the hub's operator, who finds why"),
            )
            return
        bundle.path.unlink(missing_ok=True)
        self._set(key, None)

    def _set(self, key: tuple[str, str], standing: Standing | None) -> None:
        with self._lock:
            if standing is None:
                del self._standings[key]
            else:
                self._standings[key] = standing


def _ended(standing: Standing) -> bool:
    return standing.stage in _ENDED


def _without_places(error: CasebaseError, path: Path) -> str:
    """Return what was refused as its sender may read it: without where it lies on the hub."""
    return shown(str(error).replace(f"{path}: ", "").replace(str(path), "the bundle"))[:_LONGEST_TOLD]


def _taken_in(library: Library, token: ShopToken, arrived: Arriving) -> None:
    """Take in a bundle of the shop that a token was made for; raise `CasebaseError` where that may not be."""
    if not any(one.sha256 == token.sha256 and one.revoked_at is None for one in tokens_in(library)):
        raise BundleError("the token was revoked meanwhile: ask the hub's lead for another")
    bundle = checked_bundle(arrived.path, public_case)
    if bundle.key is None:
        raise BundleError("not signed: a hub takes bundles alone that casebase signed")
    seen = fingerprint(bundle.key)
    if fingerprint_digits(seen) != token.fingerprint:
        raise BundleError(
            f"signed by another key than that of {token.source}, fingerprint {seen}: nothing was taken in; where it is"
            " your shop's own, ask the hub's lead for a token for it"
        )
    known = key_of(library, token.source)
    if known not in (None, bundle.key, token.key_before):
        raise BundleError(
            f"the hub's lead has taken another key as that of {token.source} since this token was made: ask for a new"
            " token"
        )
    sender = sender_of(library, bundle, token.source, token.fingerprint, changed=True)
    taken = take_in(library, bundle, sender.name)
    note_received(library, arrived.sha256, token.source, taken.counted() | {"layouts": taken.layouts})
