"""The JSON Schema of a record file, made from the models: `python -m casebase.record.schema schemas/`."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Final

from casebase.record.case import Case

FILE_NAME: Final = "case.schema.json"


def case_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a record as it stands in a file."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "casebase record",
        **{key: value for key, value in Case.model_json_schema(mode="validation").items() if key != "title"},
    }


def schema_text() -> str:
    """Return the schema as it stands in `schemas/`."""
    return json.dumps(case_schema(), indent=2, ensure_ascii=False) + "\n"


def main() -> None:
    """Write the schema into the folder named as the only argument."""
    (Path(sys.argv[1]) / FILE_NAME).write_text(schema_text(), encoding="utf-8")


if __name__ == "__main__":
    main()
