"""A record as YAML 1.2: read as the text that was typed, composed to find the line of a field, written to be edited.

Whoever imports this loads the YAML library, which costs a tenth of a second.
"""

from __future__ import annotations

from collections.abc import Iterator
from io import StringIO
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.constructor import BaseConstructor
from ruamel.yaml.error import YAMLError

from casebase.record.case import Case
from casebase.record.json_form import plain_data
from casebase.record.layout import Layout

NOT_READABLE: Final = (YAMLError, ValueError, OverflowError, AttributeError, TypeError, LookupError)
"""What reading raises; beside its own errors the library lets through those of impossible dates, numbers and tags."""

_EMPTY: Final = ("", "~", "null")


class _TypedText(BaseConstructor):
    """Keeps every scalar as the text that was typed (the failsafe schema of YAML 1.2).

    So on, off, yes and no stay words, 0xC121 and 00532 stay codes, 60.20 keeps its digits; the fields read the
    text themselves. What was left empty, without quotes, is None.
    """

    def construct_scalar(self, node: Any) -> Any:
        value = super().construct_scalar(node)
        return None if value in _EMPTY and not node.style else value


def yaml_documents(text: str) -> Iterator[Any]:
    """Yield the documents of `text`, every scalar as typed, None where empty; raises one of `NOT_READABLE`."""
    yaml: Any = YAML(typ="base", pure=True)
    yaml.Constructor = _TypedText
    yaml.composer.warn_double_anchors = False  # YAML allows it (1.2.2, 7.1)
    yield from yaml.load_all(StringIO(text))


def record_node(text: str, record: int) -> Any:
    """Return the node of a record, counted from 0: of a YAML document, or of an entry of a JSON list; else None."""
    try:
        yaml = YAML(typ="safe", pure=True)
        yaml.composer.warn_double_anchors = False
        roots = [node for node in yaml.compose_all(StringIO(text)) if node.value]
        listed = roots[0].value if len(roots) == 1 and roots[0].id == "sequence" else roots
        return listed[record] if record < len(listed) else None
    except (YAMLError, ValueError, RecursionError):
        return None


def record_yaml(case: Case | Layout, case_id: str | None = None, revision: int | None = None) -> str:
    """Return a record as YAML, keys in the order of the work; with its ID and revision where it has them."""
    yaml: Any = YAML(typ="safe", pure=True)
    yaml.default_flow_style = False
    yaml.allow_unicode = True
    yaml.sort_base_mapping_type_on_output = False
    yaml.width = 100
    known = {"id": case_id, "revision": revision}
    data: dict[str, Any] = {key: value for key, value in known.items() if value is not None} | plain_data(
        case
    )
    stream = StringIO()
    yaml.dump(data, stream)
    return stream.getvalue()
