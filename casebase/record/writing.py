"""A record written as a file to be read, edited and logged again."""

from __future__ import annotations

from io import StringIO
from typing import Any

from casebase.record.canonical import plain_data
from casebase.record.case import Case


def record_yaml(case: Case, case_id: str | None = None, revision: int | None = None) -> str:
    """Return a record as YAML, keys in the order of the work; with its ID and revision where it has them."""
    from ruamel.yaml import YAML  # noqa: PLC0415  costs time that only writing a file needs

    yaml: Any = YAML(typ="safe", pure=True)
    yaml.default_flow_style = False
    yaml.allow_unicode = True
    yaml.sort_base_mapping_type_on_output = False
    yaml.width = 100
    kept = {"id": case_id, "revision": revision}
    data: dict[str, Any] = {key: value for key, value in kept.items() if value is not None} | plain_data(case)
    stream = StringIO()
    yaml.dump(data, stream)
    return stream.getvalue()
