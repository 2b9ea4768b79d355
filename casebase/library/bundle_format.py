"""What a bundle between shops is made of: names, version, limits, and one line of its records.

A bundle is a zip file. `records.jsonl` holds one line of JSON per case, `case.schema.json` the JSON Schema of what
stands there under `record`, `attachments/` files named by the SHA-256 of their content, `bundle.json` who made it and
how much there is, `SHA256SUMS` a line per file as sha256sum of the GNU coreutils writes it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from casebase.record.canonical import plain_data
from casebase.record.case import Case
from casebase.record.schema import FILE_NAME

FORMAT: Final = "casebase bundle"
VERSION: Final = 1

RECORDS: Final = "records.jsonl"
SCHEMA: Final = FILE_NAME
ABOUT: Final = "bundle.json"
SUMS: Final = "SHA256SUMS"
ATTACHMENTS: Final = "attachments/"

NEEDED: Final = (ABOUT, SCHEMA, RECORDS, SUMS)

MOST_MEMBERS: Final = 20_000
"""Files in a bundle: more than a shop photographs in years, low enough to be listed at once (judged)."""

LARGEST_BYTES: Final[dict[str, int]] = {
    ABOUT: 100_000,
    SCHEMA: 2_000_000,
    SUMS: 4_000_000,
    RECORDS: 1_000_000_000,
    ATTACHMENTS: 64_000_000,
}
"""Unpacked; a hundred thousand cases take about 350 MB (judged)."""

LARGEST_WHOLE_BYTES: Final = 4_000_000_000
"""All files unpacked (judged)."""

LONGEST_LINE: Final = 4_000_000
"""Characters of one record; they have some thousands (judged)."""


@dataclass(frozen=True)
class Entry:
    """One case of a bundle: the ID it has everywhere, the sender's revision, its SHA-256, and the public record.

    `earlier` are the SHA-256 of the versions of this case that went between shops before this one was made of them.
    """

    told_id: str
    revision: int
    sha256: str
    earlier: tuple[str, ...]
    case: Case

    def line(self) -> str:
        """Return the case as its line of `records.jsonl`, without the line's end."""
        return canonical_text(
            {
                "earlier": list(self.earlier),
                "id": self.told_id,
                "record": plain_data(self.case),
                "revision": self.revision,
                "sha256": self.sha256,
            }
        )


def canonical_text(data: Any) -> str:
    """Return plain data as JSON: keys sorted, no spaces, UTF-8 kept; the same as of a record in a library."""
    return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def largest_bytes(name: str) -> int:
    """Return how large a file of a bundle may be, unpacked."""
    return LARGEST_BYTES[ATTACHMENTS if name.startswith(ATTACHMENTS) else name]
