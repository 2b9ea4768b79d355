"""The JSON Schema of a record file is made from the models."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from casebase.record import json_form
from casebase.record.case import Case
from casebase.record.vocabulary import Fault, Lamp

CHECKOUT = Path(__file__).parents[2]
KEPT = CHECKOUT / "schemas"


@pytest.mark.parametrize("name", json_form.SCHEMAS)
def test_the_schema_that_is_kept_is_the_one_the_models_make(name: str) -> None:
    """After a change of the models: python -m casebase.record.json_form schemas/."""
    kept = (KEPT / name).read_text(encoding="utf-8") if (KEPT / name).exists() else ""
    assert kept == json_form.schema_text(name), "run: python -m casebase.record.json_form schemas/"


@pytest.mark.slow
def test_the_command_writes_the_schema_into_the_folder_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file for cases and one for layouts, in UTF-8, ending with a line break."""
    monkeypatch.setattr(sys, "argv", ["schema", str(tmp_path)])
    json_form.main()
    written = sorted(tmp_path.iterdir())
    assert [path.name for path in written] == ["case.schema.json", "layout.schema.json"]
    for path in written:
        assert path.read_bytes() == json_form.schema_text(path.name).encode()
        assert path.read_bytes().endswith(b"}\n")


def test_every_key_of_a_record_stands_in_the_schema() -> None:
    """An editor can offer them, with what each is for."""
    made = json_form.case_schema()
    assert list(made["properties"]) == list(Case.model_fields)
    assert made["required"] == ["kind", "vehicle"]
    assert made["$defs"]["Reading"]["properties"]["unplugged"]["description"].startswith(
        "Modules or connectors"
    )


def test_every_group_of_keys_is_closed() -> None:
    """A misspelt key is marked wherever it stands."""
    groups = [it for it in json_form.case_schema()["$defs"].values() if it["type"] == "object"]
    assert len(groups) >= 14
    assert all(it["additionalProperties"] is False for it in groups)
    assert json_form.case_schema()["additionalProperties"] is False


def test_fixed_lists_stand_in_the_schema_word_for_word() -> None:
    """An editor offers the same words that the loader takes."""
    lists = json_form.case_schema()["$defs"]
    assert lists["Fault"]["enum"] == [fault.value for fault in Fault]
    assert lists["Lamp"]["enum"] == [lamp.value for lamp in Lamp]


def test_the_schema_names_its_draft() -> None:
    """JSON Schema draft 2020-12, and it is plain JSON."""
    made = json.loads(json_form.schema_text())
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert made["title"] == "casebase record"
