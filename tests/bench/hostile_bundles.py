"""What a bundle made to exhaust the machine costs: seconds and memory until it is refused, or until it is taken in.

python tests/bench/hostile_bundles.py [RECORDS]

Each bundle is checked in a process of its own. The last row is an honest one of so many tiny records (100,000), checked
and taken in. Exits with 1 where a hostile one was taken, where any took more than LIMIT_MB, or a refusal more than
LIMIT_SECONDS.
"""

from __future__ import annotations

import hashlib
import json
import resource
import subprocess
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

from warm_clock import markdown

from casebase.errors import CasebaseError
from casebase.library.store import Library
from casebase.publish.bundle_archive import Entry
from casebase.publish.bundle_checks import checked_bundle
from casebase.publish.public_fields import public_case
from casebase.publish.taking_in import take_in
from casebase.record.json_form import canonical_json, id_from, schema_text, sha256_of
from casebase.record.loading import case_from_data

HEAD: Final = ("bundle", "kB", "seconds", "MB of memory", "what was said")
LIMIT_MB: Final = 700
LIMIT_SECONDS: Final = 20.0
RECORDS: Final = 100_000
_PIECE: Final = 1 << 20


def repeated(text: bytes, count: int) -> Iterator[bytes]:
    """Yield a text so many times over, in large pieces."""
    at_once = max(1, _PIECE // len(text))
    for done in range(0, count, at_once):
        yield text * min(at_once, count - done)


def packed(path: Path, parts: Iterator[bytes], cases: int, packing: int = zipfile.ZIP_DEFLATED) -> None:
    """Write a bundle whose records are these bytes, with everything else as it should be."""
    about = {"format": "casebase bundle", "version": 1, "shop": "North", "made_on": "2026-11-25"}
    members = {
        "bundle.json": json.dumps({**about, "cases": cases, "attachments": 0}).encode(),
        "case.schema.json": schema_text().encode(),
    }
    sums = {name: hashlib.sha256(content).hexdigest() for name, content in members.items()}
    with zipfile.ZipFile(path, "w", packing) as archive:
        digest = hashlib.sha256()
        with archive.open("records.jsonl", "w", force_zip64=True) as file:
            for part in parts:
                file.write(part)
                digest.update(part)
        sums["records.jsonl"] = digest.hexdigest()
        for name, content in members.items():
            archive.writestr(name, content)
        lines = "".join(f"{sha256}  {name}\n" for name, sha256 in sorted(sums.items()))
        archive.writestr("SHA256SUMS", lines)


def tiny_records(count: int) -> Iterator[bytes]:
    """Yield the lines of so many records that hold next to nothing, each another."""
    for number in range(count):
        data = {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": "Fjellet"},
            "symptoms": [f"number {number}"],
        }
        case = case_from_data(data, "a bench")
        sha256 = sha256_of(canonical_json(case))
        yield f"{Entry(id_from(sha256, 12), 1, sha256, (), case).line()}\n".encode()


HOSTILE: Final[dict[str, Callable[[Path], None]]] = {
    "14 MB of line ends": lambda path: packed(path, repeated(b"\n", 14 << 20), 1),
    "900 MB of line ends": lambda path: packed(path, repeated(b"\n", 900_000_000), 1),
    "60 MB of line ends, stored": lambda path: packed(
        path, repeated(b"\n", 60_000_000), 1, zipfile.ZIP_STORED
    ),
    "20 million lines of {}, stored": lambda path: packed(
        path, repeated(b"{}\n", 20_000_000), 20_000_000, zipfile.ZIP_STORED
    ),
    "one line of 200 MB, stored": lambda path: packed(
        path, repeated(b"[", 200_000_000), 1, zipfile.ZIP_STORED
    ),
    "3 MB of brackets in a line": lambda path: packed(
        path, iter([b"[" * 3_000_000 + b"\n"]), 1, zipfile.ZIP_STORED
    ),
    "lines with 3 million keys": lambda path: packed(
        path,
        iter([b'{"a":[' + b"1," * 1_900_000 + b"1]}\n"] * 30),
        30,
        zipfile.ZIP_STORED,
    ),
}


def row(name: str, path: Path) -> list[str]:
    """Check the bundle at a path, take it in where it is sound, and return what that took."""
    begun = time.perf_counter()
    try:
        bundle = checked_bundle(path, public_case)
        with Library.create(path.with_suffix(".db")) as library:
            said = f"taken in: {take_in(library, bundle).counted()['new']}"
    except CasebaseError as error:
        said = str(error).splitlines()[0].removeprefix(f"{path}")[:90]
    seconds = time.perf_counter() - begun
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    return [name, f"{path.stat().st_size / 1e3:.0f}", f"{seconds:.1f}", f"{memory:.0f}", said]


def main(arguments: list[str]) -> int:
    """Print the table, each row from a process of its own."""
    if arguments[:1] == ["--row"]:
        print("\t".join(row(arguments[1], Path(arguments[2]))))
        return 0
    records = int(arguments[0]) if arguments else RECORDS
    honest = f"{records:,} tiny records, honest"
    made = {**HOSTILE, honest: lambda path: packed(path, tiny_records(records), records)}
    rows = []
    for name, make in made.items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "made.zip"
            make(path)
            command = [sys.executable, __file__, "--row", name, str(path)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            rows.append(done.stdout.strip().split("\t"))
    print(markdown(HEAD, rows))
    is_wrong = [
        one
        for one in rows
        if float(one[3]) > LIMIT_MB
        or (one[0] == honest) != one[4].startswith("taken in")
        or (one[0] != honest and float(one[2]) > LIMIT_SECONDS)
    ]
    return 1 if is_wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
