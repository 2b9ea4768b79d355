"""A record as JSON: the canonical form with its SHA-256 and the ID made from it, and the JSON Schema of a record file.

The same record gives the same bytes on every machine, so two libraries that are given one record keep one case.
`python -m casebase.record.json_form schemas/` writes the schema anew.
"""

from __future__ import annotations

import base64
import hashlib
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from casebase.record.case import Case
from casebase.record.fields import STORED

if TYPE_CHECKING:
    from casebase.record.layout import Layout

ID_LENGTH: Final = 8
"""40 bits: among 10,000 records two share an ID with a chance of 1 in 20,000; the library then takes more."""

_STANDARD_ALPHABET: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_CROCKFORD: Final = str.maketrans(_STANDARD_ALPHABET, "0123456789abcdefghjkmnpqrstvwxyz")


def plain_data(case: Case | Layout) -> dict[str, Any]:
    """Return the record as plain data, without what was not said; `id` and `revision` belong to the library."""
    return case.model_dump(mode="json", exclude={"id", "revision"}, exclude_none=True, exclude_defaults=True)


def canonical_json(case: Case | Layout) -> str:
    """Return the record as JSON: keys sorted, no spaces, UTF-8 kept."""
    return _canonical(plain_data(case))


def _canonical(data: dict[str, Any]) -> str:
    return json.dumps(data, ensure_ascii=False, sort_keys=True, separators=(",", ":"))


def stored_case(text: str) -> Case:
    """Return the record of a JSON text that was kept before; raise `ValidationError` where it does not fit the format.

    Rules that depend on the day hold when a record is entered: a clock that runs behind takes none away.
    """
    return Case.model_validate_json(text, context=STORED)


def stored_layout(text: str) -> Layout:
    """Return the layout of a JSON text that was kept before; raises as `stored_case` does."""
    from casebase.record.layout import Layout  # noqa: PLC0415  its models cost a command that meets no layout

    return Layout.model_validate_json(text, context=STORED)


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


def digest_for_id(case: Case) -> str:
    """Return the digest that the ID of a new case is made from, in hex; it does not tell the VIN.

    Of a record with a VIN everything is left out that stays in the shop: whoever knows the rest of the record and the
    beginning of the VIN could else find its serial by trying. Others go in whole.
    """
    data = plain_data(case)
    if case.vehicle.vin is None:
        return sha256_of(_canonical(data))
    for part, key in (
        (data["vehicle"], "vin"),
        (data, "concern"),
        (data, "review"),
        (data.get("fix", {}), "cost"),
    ):
        part.pop(key, None)
    for used in data.get("fix", {}).get("parts", ()):
        used.pop("cost", None)
    data["attachments"] = [one for one in data.get("attachments", ()) if one.get("for_others") == "yes"]
    return sha256_of(_canonical(data))


SCHEMA_FILE: Final = "case.schema.json"
LAYOUT_SCHEMA_FILE: Final = "layout.schema.json"


def case_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a record as it stands in a file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "casebase record",
        **{key: value for key, value in Case.model_json_schema(mode="validation").items() if key != "title"},
    }


def layout_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a layout as it stands in a file."""
    from casebase.record.layout import Layout  # noqa: PLC0415  its models cost a command that meets no layout

    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "casebase network layout",
        **{key: it for key, it in Layout.model_json_schema(mode="validation").items() if key != "title"},
    }


SCHEMAS: Final[dict[str, Callable[[], dict[str, Any]]]] = {
    SCHEMA_FILE: case_schema,
    LAYOUT_SCHEMA_FILE: layout_schema,
}


def schema_text(name: str = SCHEMA_FILE) -> str:
    """Return a schema as it stands in `schemas/`."""
    return json.dumps(SCHEMAS[name](), indent=2, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the schemas into the folder named as the only argument."""
    for name in SCHEMAS:
        (Path(sys.argv[1]) / name).write_text(schema_text(name), encoding="utf-8")


if __name__ == "__main__":
    main()
