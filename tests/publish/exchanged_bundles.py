"""Bundles for tests: written by the project, then taken apart and put together again with something wrong."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterable
from pathlib import Path

from casebase.library.store import Library
from casebase.publish.bundle import export_bundle
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.taking_in import TakenIn, take_in

DAY = "2026-11-25"


def sent(library: Library, out: Path, shop: str = "Workshop North") -> Path:
    """Write all records of a library to a bundle, agreed to or not."""
    export_bundle(library, library.records(), out, shop, DAY)
    return out


def taken(library: Library, bundle: Path, source: str | None = None, weight: float | None = None) -> TakenIn:
    """Check a bundle and take it in."""
    return take_in(library, checked_bundle(bundle, public_case), source, weight)


def members_of(bundle: Path) -> dict[str, bytes]:
    """Return the files in a bundle."""
    with zipfile.ZipFile(bundle) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(out: Path, members: Iterable[tuple[str | zipfile.ZipInfo, bytes]]) -> Path:
    """Write a zip file as told, whatever that makes of it."""
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return out


def with_right_sums(members: dict[str, bytes]) -> dict[str, bytes]:
    """Return the files with SHA256SUMS made anew and no signature, so that only what else is wrong can be found."""
    listed = {
        name: content for name, content in members.items() if name not in ("SHA256SUMS", "signature.json")
    }
    lines = [f"{hashlib.sha256(content).hexdigest()}  {name}\n" for name, content in sorted(listed.items())]
    return {**listed, "SHA256SUMS": "".join(lines).encode()}


def changed_line(bundle: Path, out: Path, change: Callable[[dict], object]) -> Path:
    """Write the bundle again with its first record's line changed and all sums right."""
    members = members_of(bundle)
    first, *others = members["records.jsonl"].decode().splitlines()
    data = json.loads(first)
    change(data)
    text = json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    members["records.jsonl"] = "".join(f"{line}\n" for line in [text, *others]).encode()
    return packed(out, with_right_sums(members).items())
