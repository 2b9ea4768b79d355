"""Who sent a bundle: a shop whose key the lead took as theirs, or nobody.

A name is what somebody writes; a key is what somebody has. The key is compared with what the lead was told by the
sender on another way, once; from then on the name belongs to that key.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Final

from casebase.errors import BundleError
from casebase.library.sources import key_of, keys_of_sources, pin_key
from casebase.library.store import Library
from casebase.publish.bundle_checks import CheckedBundle
from casebase.publish.signing import fingerprint, fingerprint_digits, own_public_key
from casebase.record.problems import printable

NOBODY: Final = "unsigned: "
"""Before the name that an unsigned bundle gives: who wrote it is not known."""

_ALIKE_FROM: Final = 0.9
_FOREIGN: Final = (
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u043a\u043c\u0442\u0432"
    "\u043d\u0433\u0456\u0458\u0455\u0501\u051b\u051d\u03b1\u03b5\u03bf"
    "\u03c1\u03c4\u03c5\u03c7\u03ba\u03bd\u03b9\u03b7\u03b2\u0131"
)
_LOOKS_LIKE: Final = str.maketrans(f"{_FOREIGN}01359|", "aeopcyxkmtbhrijsdqwaeoptuxkvinbiolesgl")
"""Letters of other scripts and digits that are read as Latin ones (Unicode Technical Standard 39, from memory)."""


@dataclass(frozen=True)
class Sender:
    """From whom a bundle is taken in, and what to do about it.

    `is_known` says whether it is signed by a key that was taken as theirs. `alike` is another sender's name that reads
    like this one.
    """

    name: str
    is_known: bool
    alike: str | None = None


def sender_of(
    library: Library, bundle: CheckedBundle, source: str | None, told: str | None, *, changed: bool
) -> Sender:
    """Return who sent a bundle; keep the key where its fingerprint is the one that the lead was `told`.

    Raises `BundleError` with what to do where the key is not known yet, or is another than before and the lead did not
    say that it `changed`.
    """
    if bundle.key is None:
        if told is not None:
            raise BundleError(
                f"{bundle.path}: not signed, so it has no fingerprint: ask for one that casebase signed"
            )
        return Sender(f"{NOBODY}{source or bundle.shop}", is_known=False)
    name = source or bundle.shop
    if name.startswith(NOBODY):
        raise BundleError(
            f"'{printable(name)}' is the name of bundles that nobody signed: give another with --as"
        )
    if bundle.key == own_public_key(library):
        return Sender(name, is_known=True)
    owners = [owner for owner, key in keys_of_sources(library).items() if key == bundle.key]
    if owners and name not in owners:
        raise BundleError(
            f"{bundle.path}: signed by {owners[0]}, and calls itself {printable(name)}: take it in with"
            f" --as '{owners[0]}'"
        )
    alike = name_like(name, keys_of_sources(library))
    if (before := key_of(library, name)) != bundle.key:
        _refuse_unless_told(library, bundle, name, alike, told, changed=changed)
        pin_key(library, name, bundle.key, before)
    elif told is not None and fingerprint_digits(told) != fingerprint_digits(fingerprint(bundle.key)):
        raise BundleError(
            f"{bundle.path}: its fingerprint is {fingerprint(bundle.key)}, another than you were told"
        )
    return Sender(name, is_known=True, alike=alike)


def _refuse_unless_told(  # noqa: PLR0913  what is known, and what was told
    library: Library, bundle: CheckedBundle, name: str, alike: str | None, told: str | None, *, changed: bool
) -> None:
    """Raise `BundleError` unless the lead was told this fingerprint, and says so where another one was known."""
    assert bundle.key is not None
    seen, before = fingerprint(bundle.key), key_of(library, name)
    look = f"; the name reads like {alike}, who is another sender" if alike else ""
    if told is not None and fingerprint_digits(told) != fingerprint_digits(seen):
        raise BundleError(
            f"{bundle.path}: its fingerprint is {seen}, another than you were told: nothing was taken in{look}"
        )
    if before is not None and not (told and changed):
        raise BundleError(
            f"{bundle.path}: signed by another key than {printable(name)} had before ({fingerprint(before)}),"
            f" fingerprint {seen}: nothing was taken in; ask them by a way you trust, and where it is theirs add"
            f" --fingerprint '{seen}' --key-changed"
        )
    if told is None:
        raise BundleError(
            f"{bundle.path}: the key of {printable(name)} is not known here, fingerprint {seen}{look}: nothing was"
            f" taken in; ask them by a way you trust which it is, and where it is this one add --fingerprint '{seen}'"
        )


def name_like(name: str, others: Iterable[str]) -> str | None:
    r"""Return another name that is read as this one, None where there is none.

    >>> name_like("W0rkshop N\u043erth", ["Workshop North", "Workshop South"])
    'Workshop North'
    """
    plain = _plain(name)
    return next((other for other in others if other != name and _are_alike(plain, _plain(other))), None)


def _are_alike(plain: str, other: str) -> bool:
    return plain == other or SequenceMatcher(None, plain, other, autojunk=False).ratio() >= _ALIKE_FROM


def _plain(name: str) -> str:
    folded = unicodedata.normalize("NFKD", name).casefold().translate(_LOOKS_LIKE)
    letters = "".join(letter for letter in folded if letter.isalnum())
    return letters.replace("rn", "m").replace("vv", "w")
