"""The kept JSON Schema against an independent validator (the library jsonschema, draft 2020-12)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from casebase.record.case import Case
from casebase.record.loading import load_file
from casebase.record.yaml_form import record_yaml

CHECKOUT = Path(__file__).parents[2]
SCHEMA: dict[str, Any] = json.loads((CHECKOUT / "schemas" / "case.schema.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
DEMO_FILES = sorted(
    path for path in (CHECKOUT / "demo_cases").rglob("*.yaml") if path.parent.name != "layouts"
)
EXAMPLE: dict[str, Any] = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Skarn", "model_year": 2015},
    "lamps": ["airbag"],
    "networks": [{"name": "drive CAN", "medium": "high-speed CAN", "bit_rate": "500 kbit/s"}],
    "modules": [{"name": "ABS", "answers": "no"}],
    "codes": [{"module": "ECM", "code": "U0121-87"}],
    "readings": [
        {
            "quantity": "resistance",
            "line": "CAN high",
            "against": "CAN low",
            "unplugged": [],
            "value": "60.2 ohm",
        },
        {
            "quantity": "waveform",
            "waveform": {"recessive": {"CAN high": "2.5 V"}, "looks": ["clean"], "dominant_share": 0.2},
        },
    ],
    "cause": {"fault": "low_open", "where": {"place": "harness"}, "mechanism": "chafing"},
    "fix": {"done": "joined", "cost": "184.50 EUR"},
    "verification": {"rescan": "clean", "days_without_return": 60},
    "attachments": [{"file": "scope.png"}],
    "provenance": {"opened": "2024-02-19", "invented": "yes"},
}


def plain_yaml(text: str) -> Any:
    """Return what an editor's YAML 1.2 reader makes of `text`, dates as text, as JSON has none."""
    return json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))


def messages(data: object) -> list[str]:
    """Return the validator's complaints about `data`, each with its path."""
    return [f"{error.json_path}: {error.message[:100]}" for error in VALIDATOR.iter_errors(data)]


@pytest.mark.slow
def test_the_schema_is_valid_draft_2020_12() -> None:
    """The validator's own check of the schema against the meta-schema."""
    assert jsonschema.validators.validator_for(SCHEMA) is jsonschema.Draft202012Validator
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.slow
@pytest.mark.parametrize("path", DEMO_FILES, ids=lambda path: path.stem)
def test_every_demonstration_record_fits_the_schema(path: Path) -> None:
    """As casebase writes it: the schema lists the canonical spelling, files may use short forms (CAN-H, abs)."""
    for case in load_file(path):
        assert messages(plain_yaml(record_yaml(case))) == []


def test_there_are_records_to_check() -> None:
    """A folder that was moved would make the checks above pass by having nothing to do."""
    assert len(DEMO_FILES) >= 20


def test_both_the_schema_and_the_models_take_the_example() -> None:
    """The record from which the wrong ones below are made is right."""
    assert messages(EXAMPLE) == []
    Case.model_validate(EXAMPLE)


def changed(path: tuple[str | int, ...], value: object) -> dict[str, Any]:
    """Return the example with `value` put at `path`."""
    data = json.loads(json.dumps(EXAMPLE))
    inner = data
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value
    return data


@pytest.mark.slow
@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("status",), "fixed, verified"),
        (("titel",), "x"),
        (("kind",), "fault"),
        (("vehicle",), {"make": "Norrvik"}),
        (("vehicle", "colour"), "red"),
        (("vehicle", "model_year"), 1979),
        (("vehicle", "model_year"), "new"),
        (("lamps", 0), "amber"),
        (("lamps",), 3),
        (("networks", 0, "medium"), "CAN"),
        (("networks", 0, "bit_rate"), 500),
        (("modules", 0, "answers"), False),
        (("modules", 0, "name"), ""),
        (("codes", 0, "code"), None),
        (("codes", 0, "cod"), "U0121"),
        (("readings", 0, "quantity"), "pressure"),
        (("readings", 0, "line"), "pin 6"),
        (("readings", 0, "value"), True),
        (("readings", 0, "ignition"), True),
        (("readings", 0, "unplugged"), 0),
        (("readings", 1, "waveform", "looks"), ["strange"]),
        (("readings", 1, "waveform", "recessive"), {"pin 6": "2.5 V"}),
        (("readings", 1, "waveform", "dominant_share"), 21),
        (("cause", "fault"), "short"),
        (("cause", "where"), {"place": "engine bay"}),
        (("cause", "fixed"), "yes"),
        (("fix", "cost"), 184.5),
        (("verification", "rescan"), "yes"),
        (("verification", "days_without_return"), -1),
        (("verification", "days_without_return"), True),
        (("attachments", 0, "file"), "../secret"),
        (("provenance", "invented"), True),
        (("provenance", "opened"), 20240219),
        (("id",), "OIL!"),
    ],
)
def test_a_wrong_record_is_refused_by_the_schema_and_by_the_models(
    path: tuple[str | int, ...], value: object
) -> None:
    """Unknown keys, words of no list, wrong types: an editor marks what the loader would refuse."""
    wrong = changed(path, value)
    assert messages(wrong)
    with pytest.raises(ValueError, match="validation error"):
        Case.model_validate(wrong)
