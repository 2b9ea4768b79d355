"""A bundle checked whole, before anything of it is stored: version, sums, counts, and every record."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from casebase.errors import BundleError
from casebase.library.accepted_files import what_is_wrong
from casebase.library.layouts import StoredLayout
from casebase.publish.bundle_archive import (
    ABOUT,
    ATTACHMENTS,
    FORMAT,
    MOST_CASES,
    MOST_MEMBERS,
    RECORDS,
    SIGNATURE,
    SUMS,
    VERSION,
    Archive,
    Entry,
    opened_archive,
)
from casebase.publish.bundle_lines import checked_entries, checked_layouts, entries_again, lines_of
from casebase.publish.signing import signer_of
from casebase.record.case import Case
from casebase.record.problems import printable

LONGEST_NAME: Final = 200
_MOST_EARLIER: Final = 1_000_000
_SUM_LINE: Final = re.compile(r"([0-9a-f]{64}) [ *](\S+)")


@dataclass(frozen=True)
class CheckedBundle:
    """A bundle in which nothing is wrong: who sent it, on which day it was made, its cases, attachments and layouts.

    `key` is the public key that signed it, in hexadecimal digits; None where nobody did. Of the cases it holds the IDs
    under which they go about; `entries_of` reads them again, one at a time.
    """

    path: Path
    shop: str
    made_on: str
    told_ids: list[str]
    attachments: list[str]
    records_sha256: str
    layouts: list[StoredLayout] = field(default_factory=list)
    key: str | None = None


def checked_bundle(path: Path, public: Callable[[Case], Case]) -> CheckedBundle:
    """Return the bundle at `path`; raise `BundleError`, or `RecordError` with all that is wrong with its records.

    `public` tells what of a record may go between shops: one that holds more is refused.
    """
    with opened_archive(path) as archive:
        about = _about(archive)
        sums = _refuse_wrong_sums(archive)
        key = _signer(archive)
        told_ids: list[str] = []
        named: set[str] = set()
        earlier = 0
        for entry in checked_entries(archive, public, _most_cases(about)):
            told_ids.append(entry.told_id)
            named.update(str(one.sha256) for one in entry.case.attachments)
            earlier += len(entry.earlier)
            if len(named) > MOST_MEMBERS or earlier > _MOST_EARLIER:
                raise BundleError(
                    f"{path}: its records name more than {MOST_MEMBERS} attachments or {_MOST_EARLIER} earlier versions"
                )
        _refuse_wrong_attachments(archive, named)
        _refuse_wrong_counts(path, about, {"cases": len(told_ids), "attachments": len(archive.attachments)})
        layouts = checked_layouts(archive)
        if layouts or "layouts" in about:
            _refuse_wrong_counts(path, about, {"layouts": len(layouts)})
        return CheckedBundle(
            path, about["shop"], about["made_on"], told_ids, archive.attachments, sums[RECORDS], layouts, key
        )


def entries_of(bundle: CheckedBundle) -> Iterator[Entry]:
    """Yield the cases of a checked bundle; raise `BundleError` at the end where they are not those checked."""
    with opened_archive(bundle.path) as archive:
        digest = hashlib.sha256()
        yield from entries_again(archive, digest)
        if digest.hexdigest() != bundle.records_sha256:
            raise BundleError(f"{bundle.path}: changed while it was read: take it in again")


def attachments_of(bundle: CheckedBundle) -> Iterator[tuple[str, bytes]]:
    """Yield the SHA-256 and the bytes of every attachment, each compared with its name once more."""
    with opened_archive(bundle.path) as archive:
        for sha256 in bundle.attachments:
            content = archive.read(ATTACHMENTS + sha256)
            if hashlib.sha256(content).hexdigest() != sha256:
                raise BundleError(f"{bundle.path}: changed while it was read: take it in again")
            yield sha256, content


def is_source_name(name: object) -> bool:
    """Return whether a shop can be called this: some printable characters, not too many."""
    return (
        isinstance(name, str)
        and bool(name.strip())
        and name.strip() == name
        and name.isprintable()
        and len(name) <= LONGEST_NAME
    )


def _about(archive: Archive) -> dict[str, Any]:
    where = f"{archive.path}: {ABOUT}"
    try:
        about = json.loads(archive.read(ABOUT).decode("utf-8"))
    except (ValueError, RecursionError):
        raise BundleError(f"{where} is not readable as JSON: ask for the bundle again") from None
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise BundleError(f"{where} is not of a bundle: expected the format '{FORMAT}'")
    version = about.get("version")
    if version != VERSION or type(version) is not int:
        raise BundleError(
            f"{where}: version {printable(str(version))} of the format, and this casebase knows version {VERSION}:"
            " update casebase"
        )
    if not is_source_name(about.get("shop")):
        raise BundleError(f"{where}: no name of a shop that sent it: ask for the bundle again")
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", str(about.get("made_on"))):
        raise BundleError(f"{where}: no day on which it was made: ask for the bundle again")
    return about


def _most_cases(about: dict[str, Any]) -> int:
    """Return how many lines of records there can be: as many as the bundle says, and no more than any holds."""
    said = about.get("cases")
    return min(said, MOST_CASES) if type(said) is int else MOST_CASES


def _refuse_wrong_counts(path: Path, about: dict[str, Any], there: dict[str, int]) -> None:
    for what, count in there.items():
        if about.get(what) != count or type(about.get(what)) is not int:
            raise BundleError(
                f"{path}: {count} {what} in it, and {ABOUT} says {printable(str(about.get(what)))}: ask for the"
                " bundle again"
            )


def _refuse_wrong_sums(archive: Archive) -> dict[str, str]:
    """Return the SHA-256 of every file, by its name; raise `BundleError` unless they are those in `SHA256SUMS`."""
    said = _sums(archive)
    if sorted(said) != [name for name in archive.names if name not in (SUMS, SIGNATURE)]:
        raise BundleError(f"{archive.path}: {SUMS} does not list the files that are there: ask for it again")
    for name, sha256 in said.items():
        digest = hashlib.sha256()
        for part in archive.parts(name):
            digest.update(part)
        if digest.hexdigest() != sha256 or (name.startswith(ATTACHMENTS) and name != ATTACHMENTS + sha256):
            raise BundleError(
                f"{archive.path}: {name} does not match its SHA-256: it was changed or damaged, ask for it again"
            )
    return said


def _signer(archive: Archive) -> str | None:
    """Return the key that signed the sums; raise `BundleError` for a signature that is not of these."""
    if SIGNATURE not in archive.names:
        return None
    return signer_of(archive.read(SIGNATURE), archive.read(SUMS), f"{archive.path}: {SIGNATURE}")


def _refuse_wrong_attachments(archive: Archive, named: set[str]) -> None:
    """Raise `BundleError` unless the files are those that the records name, each as casebase itself would keep it."""
    there = set(archive.attachments)
    for sha256 in sorted(named ^ there):
        told = "named by a record and not there" if sha256 in named else "named by no record"
        raise BundleError(f"{archive.path}: {ATTACHMENTS}{sha256} is {told}: ask for the bundle again")
    for sha256 in sorted(there):
        if wrong := what_is_wrong(archive.read(ATTACHMENTS + sha256)):
            raise BundleError(
                f"{archive.path}: {ATTACHMENTS}{sha256}: {wrong}: nothing was taken in; ask the sender to attach the"
                " file anew"
            )


def _sums(archive: Archive) -> dict[str, str]:
    said: dict[str, str] = {}
    for number, line in enumerate(lines_of(archive, SUMS), start=1):
        found = _SUM_LINE.fullmatch(line)
        if found is None or found[2] in said:
            raise BundleError(
                f"{archive.path}: {SUMS}, line {number}: expected a SHA-256 and one file's name"
            )
        said[found[2]] = found[1]
    return said
