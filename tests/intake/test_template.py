"""The template: what is printed must load, hold every key, and never drift from the fixed words."""

import re

import pytest
from ruamel.yaml import YAML

from casebase.errors import RecordError
from casebase.intake.template import template_text
from casebase.record.case import Case, status_of
from casebase.record.loading import load_text
from casebase.record.vocabulary import Kind, Status

SCHEMA = Case.model_json_schema(mode="validation")
FORMS = [(full, kind) for full in (False, True) for kind in Kind]
BY_HAND = {"make": "Norrvik", "model": "Skarn", "concern": "Dies at the lights"}


def filled_in(text: str) -> str:
    """Fill in the lines that wait for it, as a person would."""
    for key, value in BY_HAND.items():
        text = re.sub(rf"^( *{key}:)$", rf"\1 {value}", text, flags=re.MULTILINE)
    return text


def with_examples(text: str) -> str:
    """Take the mark of every example line away."""
    return re.sub(r"^#: ", "", text, flags=re.MULTILINE)


def keys_of(schema: dict, prefix: str = "") -> set[str]:
    """Return the path of every key that a JSON Schema describes."""
    found = set()
    for key, inner in schema.get("properties", {}).items():
        found |= {f"{prefix}{key}"} | keys_of(_resolved(inner), f"{prefix}{key}.")
    return found


def _resolved(schema: dict) -> dict:
    """Follow references, alternatives and list items to the object they lead to."""
    if "$ref" in schema:
        return SCHEMA["$defs"][schema["$ref"].rsplit("/", 1)[1]]
    for inner in [schema.get("items", {}), *schema.get("anyOf", []), *schema.get("allOf", [])]:
        if inner and _resolved(inner).get("properties"):
            return _resolved(inner)
    return schema


def keys_in(data: object, prefix: str = "") -> set[str]:
    """Return the path of every key in loaded YAML, lists passed through."""
    if isinstance(data, list):
        return {path for entry in data for path in keys_in(entry, prefix)}
    if not isinstance(data, dict):
        return set()
    deeper = {path for key, value in data.items() for path in keys_in(value, f"{prefix}{key}.")}
    return deeper | {f"{prefix}{key}" for key in data}


def is_level_of_a_line(path: str) -> bool:
    """The levels of a waveform have lines as keys, which no schema lists one by one."""
    return re.search(r"waveform\.(recessive|dominant)\.", path) is not None


@pytest.mark.parametrize("full", [False, True])
def test_make_model_and_concern_are_enough_for_a_record(full: bool) -> None:
    """Whoever fills in three lines and leaves the rest alone has a record of an open job."""
    (case,) = load_text(filled_in(template_text(full)), "template")
    assert (case.vehicle.make, case.vehicle.model, case.concern) == tuple(BY_HAND.values())
    assert status_of(case) is Status.OPEN


@pytest.mark.slow
@pytest.mark.parametrize(("full", "kind"), FORMS)
def test_every_example_line_may_be_taken_over(full: bool, kind: Kind) -> None:
    """With the marks of all example lines taken away the template is a valid record of its kind."""
    (case,) = load_text(filled_in(with_examples(template_text(full, kind))), "template")
    assert case.kind is kind
    assert len(case.readings) >= 2


def test_a_case_with_all_examples_counts_as_verified() -> None:
    """The examples show a whole job: cause proven, fixed, rescanned clean."""
    (case,) = load_text(filled_in(with_examples(template_text(False))), "template")
    assert status_of(case) is Status.FIXED_VERIFIED


def test_the_full_form_holds_every_key_of_the_record() -> None:
    """No key of the record is missing from the full form, and none stands there that the record lacks."""
    data = YAML(typ="safe", pure=True).load(with_examples(template_text(True)))
    present = {path for path in keys_in(data) if not is_level_of_a_line(path)}
    assert present == keys_of(SCHEMA)


def test_the_short_form_holds_a_part_of_the_full_one() -> None:
    """The short form asks for less than half of the keys, among them what a search needs most."""
    read = YAML(typ="safe", pure=True).load
    short = keys_in(read(with_examples(template_text(False))))
    assert {
        "codes.code",
        "readings.value",
        "readings.ignition",
        "cause.fault",
        "verification.rescan",
    } <= short
    assert len(short) < len(keys_of(SCHEMA)) / 2


def test_every_fixed_word_stands_in_a_comment_of_the_full_form() -> None:
    """A technician can pick each word from the template; the lists come from the vocabulary itself."""
    comments = " ".join(
        line[2:].strip() for line in template_text(True).splitlines() if line.startswith("# ")
    )
    words = {word for part in SCHEMA["$defs"].values() for word in part.get("enum", [])}
    assert len(words) > 150
    assert [word for word in sorted(words) if word not in comments] == []


@pytest.mark.parametrize(("full", "kind"), FORMS)
def test_each_line_is_an_example_an_explanation_or_a_key(full: bool, kind: Kind) -> None:
    """Comments have one style, so that taking the marks away needs no thought."""
    style = re.compile(r"|#: .+|# .+| *[a-z_]+:( .+)?")
    assert [line for line in template_text(full, kind).splitlines() if not style.fullmatch(line)] == []


def test_an_empty_template_is_refused_with_what_is_missing() -> None:
    """Printing and adding the template without filling it in names the first thing to fill in."""
    with pytest.raises(RecordError, match=r"vehicle\.make"):
        load_text(template_text(False), "template")


def test_a_known_good_record_is_not_asked_for_a_fault() -> None:
    """A healthy vehicle has no complaint and no repair."""
    keys = keys_in(YAML(typ="safe", pure=True).load(with_examples(template_text(True, "known good"))))
    assert not {"concern", "symptoms", "cause", "fix", "verification", "leftover"} & keys
