"""A record's canonical JSON, its SHA-256 and its ID.

The same record gives the same bytes on every machine, so two libraries that are given one record keep one case.
"""

from __future__ import annotations

import base64
import hashlib
import json
from typing import Any, Final

from casebase.record.case import Case

ID_LENGTH: Final = 8
"""40 bits: among 10,000 records two share an ID with a chance of 1 in 20,000; the library then takes more."""

_STANDARD_ALPHABET: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_CROCKFORD: Final = str.maketrans(_STANDARD_ALPHABET, "0123456789abcdefghjkmnpqrstvwxyz")


def plain_data(case: Case) -> dict[str, Any]:
    """Return the record as plain data, without what was not said; `id` and `revision` belong to the library."""
    return case.model_dump(mode="json", exclude={"id", "revision"}, exclude_none=True, exclude_defaults=True)


def canonical_json(case: Case) -> str:
    """Return the record as JSON: keys sorted, no spaces, UTF-8 kept."""
    return json.dumps(plain_data(case), ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def sha256_of(canonical: str) -> str:
    """Return the SHA-256 of a canonical JSON text, in hex."""
    return hashlib.sha256(canonical.encode()).hexdigest()


def id_from(sha256: str, length: int = ID_LENGTH) -> str:
    """Return an ID of `length` characters from the digest of a case's first revision.

    >>> id_from("00" * 32)
    '00000000'
    """
    text = base64.b32encode(bytes.fromhex(sha256)).decode().translate(_CROCKFORD)
    return text[:length]
