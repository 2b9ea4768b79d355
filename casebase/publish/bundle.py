"""Writing a bundle for other shops: the public part of agreed records, in open formats, the same bytes every time."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from nacl.signing import SigningKey

from casebase.errors import BundleError
from casebase.files import flush_file, folder_of_parts, put, sha256_of_file
from casebase.library.derived import StoredRecord
from casebase.library.layouts import StoredLayout
from casebase.library.store import Library
from casebase.publish.bundle_archive import (
    ABOUT,
    ATTACHMENTS,
    FORMAT,
    LAYOUTS,
    MOST_MEMBERS,
    NEEDED,
    RECORDS,
    SCHEMA,
    SIGNATURE,
    SUMS,
    VERSION,
    Entry,
    largest_bytes,
)
from casebase.publish.bundle_checks import is_source_name
from casebase.publish.bundle_lines import layout_lines
from casebase.publish.public_fields import public_case
from casebase.publish.signing import signature_text, signing_key
from casebase.publish.taking_in import exchanged, public_sha256, told_ids
from casebase.record.checks import inconsistencies
from casebase.record.json_form import LAYOUT_SCHEMA_FILE, schema_text

Attachments = Callable[[], Iterable[tuple[str, bytes]]]
"""Gives the SHA-256 and the bytes of every file that goes along, in the same order each time."""

_NO_DAY: Final = (1980, 1, 1, 0, 0, 0)
"""The first day that a zip file can tell: when a file was packed is nobody's business."""

_PLAIN_FILE: Final = 0o100644 << 16


@dataclass(frozen=True)
class Exported:
    """A bundle that was written: where, its size and SHA-256, how many cases and attachments, who signed, layouts."""

    path: Path
    bytes: int
    sha256: str
    cases: int
    attachments: int
    key: str
    layouts: int = 0


def export_bundle(  # noqa: PLR0913, PLR0917  what is sent, where to, under which name and day
    library: Library,
    records: Iterable[StoredRecord],
    out: Path,
    shop: str,
    day: str,
    attachments: Attachments | None = None,
    layouts: Sequence[StoredLayout] = (),
    *,
    new_key: bool = False,
) -> Exported:
    """Write the public part of `records` to a signed bundle at `out`, under the shop's name and a day (ISO 8601).

    What stood there is replaced at once or not at all. Raises `BundleError` when there is nothing to send or the file
    cannot be written. The records and layouts are expected to be agreed to, and looked through for
    what must not leave the shop.
    """
    _refuse(out, shop)
    with library.reading() as db:
        sent = list(_sent(records, told_ids(db), exchanged(db)))
    if not sent:
        raise BundleError(
            "no record is agreed to: read those that wait with casebase review, then export again"
        )
    try:
        with folder_of_parts(out.parent) as parts:
            made = parts / out.name
            key = signing_key(library, make_new=new_key)
            files = _write(made, [entry for _, entry in sent], shop, day, attachments, layouts, key)
            # Before anybody can take the bundle along: a version that is out must be known for one that is.
            with library.changing() as db:
                db.executemany(
                    "INSERT INTO exchanged (case_id, sha256) VALUES (?, ?) ON CONFLICT DO NOTHING",
                    [(case_id, entry.sha256) for case_id, entry in sent],
                )
            public = bytes(key.verify_key).hex()
            sha256 = sha256_of_file(made)
            done = Exported(out, made.stat().st_size, sha256, len(sent), files, public, len(layouts))
            put(made, out)
    except OSError as error:
        raise BundleError(
            f"{out}: cannot be written ({error.strerror}): name another place, or make room"
        ) from None
    return done


def _refuse(out: Path, shop: str) -> None:
    if out.suffix.casefold() != ".zip":
        raise BundleError(f"{out}: a bundle is a zip file: name one that ends in .zip")
    if not is_source_name(shop):
        raise BundleError(
            "the shop's name must be some printable characters, without spaces around them: --by SHOP"
        )


def _sent(
    records: Iterable[StoredRecord], told: dict[str, str], went: dict[str, set[str]]
) -> Iterator[tuple[str, Entry]]:
    """Yield each record's ID here and what is sent of it, by the ID under which it goes about.

    A case that stands beside another comes after it, so that a shop that has neither sees them as this one does.
    """
    ordered = sorted(
        records, key=lambda one: (told.get(one.case_id, one.case_id), one.case_id in told, one.case_id)
    )
    for kept in ordered:
        case, sha256 = public_case(kept.case), public_sha256(kept.case)
        bare = case.model_copy(update={"id": None, "revision": None})
        earlier = tuple(sorted(went.get(kept.case_id, set()) - {sha256}))
        if problems := inconsistencies(bare):  # as where only the customer's words tell the case
            raise BundleError(
                f"case {kept.case_id}: what may leave the shop is no whole record ({problems[0].expected}): put what"
                f" may be told into its symptoms, or keep it inside with casebase review {kept.case_id} --keep-inside"
            )
        told_id = told.get(kept.case_id, kept.case_id)
        yield kept.case_id, Entry(told_id, kept.revision, sha256, earlier, bare)


def _write(  # noqa: PLR0913, PLR0917  what is packed
    path: Path,
    entries: list[Entry],
    shop: str,
    day: str,
    attachments: Attachments | None,
    layouts: Sequence[StoredLayout],
    key: SigningKey,
) -> int:
    """Write the zip file, and return how many attachments went along."""
    with zipfile.ZipFile(path, "w") as archive:
        packed = _Packed(archive)
        packed.add(RECORDS, (f"{entry.line()}\n".encode() for entry in entries))
        packed.add(SCHEMA, [schema_text().encode()])
        before = len(packed.sums)
        for sha256, content in attachments() if attachments else ():
            packed.add(ATTACHMENTS + sha256, [content])
        files = len(packed.sums) - before
        if layouts:
            packed.add(LAYOUTS, layout_lines(layouts))
            packed.add(LAYOUT_SCHEMA_FILE, [schema_text(LAYOUT_SCHEMA_FILE).encode()])
        packed.add(ABOUT, [_about(shop, day, len(entries), files, len(layouts))])
        packed.add(SUMS, [sums := packed.sum_lines()])
        packed.add(SIGNATURE, [signature_text(key, sums)], zipfile.ZIP_STORED)
    flush_file(path)
    if files + len(NEEDED) > MOST_MEMBERS:
        raise BundleError(f"{files} attachments: a bundle holds at most {MOST_MEMBERS - len(NEEDED)}")
    return files


class _Packed:
    """A zip file in the making, with the SHA-256 of everything in it."""

    def __init__(self, archive: zipfile.ZipFile) -> None:
        self._archive = archive
        self.sums: dict[str, str] = {}

    def add(self, name: str, parts: Iterable[bytes], packed_by: int = zipfile.ZIP_DEFLATED) -> None:
        """Pack one file; raise `BundleError` when it is larger than other shops would take in."""
        member = zipfile.ZipInfo(name, _NO_DAY)
        member.compress_type, member.external_attr, member.create_system = (
            packed_by,
            _PLAIN_FILE,
            3,
        )
        digest, count = hashlib.sha256(), 0
        with self._archive.open(member, "w", force_zip64=False) as file:
            for part in parts:
                file.write(part)
                digest.update(part)
                count += len(part)
        if count > largest_bytes(name):
            raise BundleError(
                f"{name}: {count} bytes, and a bundle holds at most {largest_bytes(name)} of it"
            )
        self.sums[name] = digest.hexdigest()

    def sum_lines(self) -> bytes:
        """Return the sums as `sha256sum` of the GNU coreutils prints them."""
        return "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(self.sums.items())).encode()


def _about(shop: str, day: str, cases: int, attachments: int, layouts: int) -> bytes:
    about: dict[str, object] = {
        "format": FORMAT,
        "version": VERSION,
        "shop": shop,
        "made_on": day,
        "cases": cases,
        "attachments": attachments,
    }
    if layouts:  # casebases that know none read bundles without
        about["layouts"] = layouts
    return (json.dumps(about, ensure_ascii=False, indent=2) + "\n").encode()
