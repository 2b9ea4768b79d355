"""What lets a shop send to this library over the network: a token that is shown once, and kept as its SHA-256 alone.

A token is 256 random bits, so its SHA-256 tells nothing of it and needs no salt. It is bound to the name of one source
and to the key of that shop; a shop has one at a time. Which bundles came in over the network is noted beside them.
"""

from __future__ import annotations

import hashlib
import json
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from casebase.errors import LibraryError
from casebase.library.library_file import LibraryFile, now_text
from casebase.library.sources import key_of

_BEGINS: Final = "casebase-"
"""Lets whoever searches files for what should not lie there find a token."""

_BYTES: Final = 32
_TOKEN: Final = re.compile(re.escape(_BEGINS) + r"[A-Za-z0-9_-]{43}")


@dataclass(frozen=True)
class ShopToken:
    """A token of a shop: the SHA-256 by which it is known, for which source and key it is, since when, its end.

    `fingerprint` is that of the shop's key as the lead was told; `key_before` the key that was known of the shop then.
    """

    sha256: str
    source: str
    fingerprint: str
    key_before: str | None
    made_at: str
    used_at: str | None
    revoked_at: str | None


def is_token(text: str) -> bool:
    """Return whether a text has the form of a token."""
    return _TOKEN.fullmatch(text) is not None


def token_sha256(token: str) -> str:
    """Return what a token is known by."""
    return hashlib.sha256(token.encode()).hexdigest()


def make_token(library: LibraryFile, source: str, fingerprint: str) -> str:
    """Make the token of a source and return it; one that it had is revoked."""
    token, now = _BEGINS + secrets.token_urlsafe(_BYTES), now_text()
    with library.changing() as db:
        before = key_of(library, source)
        db.execute(
            "UPDATE shop_tokens SET revoked_at = ? WHERE source = ? AND revoked_at IS NULL", (now, source)
        )
        db.execute(
            "INSERT INTO shop_tokens (sha256, source, fingerprint, key_before, made_at) VALUES (?, ?, ?, ?, ?)",
            (token_sha256(token), source, fingerprint, before, now),
        )
    return token


def revoke_token(library: LibraryFile, source: str) -> None:
    """Let the token of a source end; raise `LibraryError` where it has none."""
    with library.changing() as db:
        revoked = db.execute(
            "UPDATE shop_tokens SET revoked_at = ? WHERE source = ? AND revoked_at IS NULL",
            (now_text(), source),
        )
        if not revoked.rowcount:
            raise LibraryError(f"'{source}' has no token: casebase tokens lists the shops that have one")


def tokens_in(library: LibraryFile) -> list[ShopToken]:
    """Return every token that was made, by source, the newest first."""
    sql = (
        "SELECT sha256, source, fingerprint, key_before, made_at, used_at, revoked_at FROM shop_tokens"
        " ORDER BY lower(source), source, made_at DESC, rowid DESC"
    )
    with library.reading() as db:
        return [ShopToken(**row) for row in db.query(sql)]


def note_used(library: LibraryFile, used: Mapping[str, str]) -> None:
    """Keep when tokens were used last: the time (UTC, ISO 8601) by the SHA-256 of the token."""
    with library.changing(alone=False) as db:
        db.executemany(
            "UPDATE shop_tokens SET used_at = ? WHERE sha256 = ? AND coalesce(used_at, '') < ?",
            # In the same order by all services of a hub: none waits for one that waits for it.
            [(at, sha256, at) for sha256, at in sorted(used.items())],
        )


def note_received(library: LibraryFile, sha256: str, source: str, counted: Mapping[str, int]) -> None:
    """Keep that a bundle of a source was taken in, and how many of its cases became what."""
    with library.changing(alone=False) as db:
        db.execute(
            "INSERT INTO received_bundles (sha256, source, at, told) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (sha256, source, now_text(), json.dumps(dict(counted))),
        )


def received(library: LibraryFile, sha256: str, source: str) -> dict[str, int] | None:
    """Return how many cases of a bundle became what when it was taken in; None where it was not."""
    with library.reading() as db:
        row = db.execute(
            "SELECT told FROM received_bundles WHERE sha256 = ? AND source = ?", (sha256, source)
        ).fetchone()
    return dict(json.loads(row[0])) if row else None
