"""A record written to a file and read again is the same record."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from casebase.record.case import Case
from casebase.record.json_form import canonical_json, plain_data
from casebase.record.loading import load_text
from casebase.record.trial import Outcome, TrialAction
from casebase.record.vocabulary import (
    Answers,
    Condition,
    Fault,
    Ignition,
    Lamp,
    Line,
    Look,
    Market,
    Mechanism,
    Medium,
    Place,
    Powertrain,
    Rescan,
    Review,
    Stage,
    YesNo,
)
from casebase.record.word_list import Word
from casebase.record.yaml_form import record_yaml


def of_list(words: type[Word]) -> st.SearchStrategy[str]:
    """Return a strategy for the values of a fixed list."""
    return st.sampled_from([word.value for word in words])


def group(**keys: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Return a strategy for a group of keys, each of which may be left out."""
    return st.fixed_dictionaries({}, optional=keys)


TEXTS = st.text(
    st.characters(exclude_categories=["Cc", "Cs"], include_characters="\n\t"), min_size=1, max_size=30
).filter(str.strip) | st.sampled_from(
    [
        "null",
        "~",
        "yes",
        "on",
        "60",
        "0xC121",
        "- a",
        "a: b",
        "# a",
        "'",
        '"',
        "&a",
        "*a",
        "!a",
        "---",
        "...",
        "|",
    ]
)
NAMES = TEXTS
AMOUNTS = st.decimals(0, 9, places=2)
VOLTS = st.builds("{} V".format, AMOUNTS) | st.builds("about {} mV".format, AMOUNTS) | st.just("2.3 to 2.7 V")
OHMS = st.builds("{} kohm".format, AMOUNTS) | st.sampled_from(["OL", "unchanged", "back to normal", "60.20"])
LEVELS = st.dictionaries(of_list(Line), VOLTS, max_size=2)
DATES = st.dates(date(1980, 1, 1), date(2024, 1, 1)).map(str)
CODES = st.sampled_from(["U0121", "U0121-87", "00532", "SPN 639 FMI 9", "maker:5E-21"])
MONEY = st.builds("{} EUR".format, AMOUNTS)
STATE = {
    "at": NAMES,
    "pins": NAMES,
    "ignition": of_list(Ignition),
    "unplugged": st.lists(NAMES, max_size=2),
    "stage": of_list(Stage),
    "note": TEXTS,
}
SHARES = st.one_of(st.floats(0, 1), st.just("21 %"))
METER = st.one_of(
    st.fixed_dictionaries(
        {"quantity": st.just(quantity), "line": of_list(Line), "value": values}, optional=STATE
    )
    for quantity, values in (("voltage", VOLTS), ("resistance", OHMS))
)
SCOPE = st.fixed_dictionaries(
    {
        "quantity": st.just("waveform"),
        "waveform": group(
            traffic=of_list(YesNo),
            recessive=LEVELS,
            dominant=LEVELS,
            looks=st.lists(of_list(Look), max_size=2),
            dominant_share=SHARES,
            note=TEXTS,
        ),
    },
    optional=STATE,
)
CASES = st.fixed_dictionaries(
    {
        "kind": st.just("fault case"),
        "vehicle": st.fixed_dictionaries(
            {"make": NAMES, "model": NAMES},
            optional={
                "model_year": st.integers(1980, 2020),
                "powertrain": of_list(Powertrain),
                "market": of_list(Market),
                "odometer": st.builds("{} km".format, st.integers(0, 999_999)),
            },
        ),
        "concern": TEXTS,
    },
    optional={
        "title": NAMES,
        "symptoms": st.lists(TEXTS, max_size=2),
        "lamps": st.lists(of_list(Lamp), max_size=2),
        "conditions": st.lists(of_list(Condition), max_size=2),
        "networks": st.lists(
            st.fixed_dictionaries(
                {"name": NAMES, "medium": of_list(Medium)},
                optional={
                    "bit_rate": st.just("33.333 kbit/s"),
                    "terminators_in": st.lists(NAMES, max_size=2),
                },
            ),
            max_size=1,
        ),
        "modules": st.lists(st.fixed_dictionaries({"name": NAMES, "answers": of_list(Answers)}), max_size=1),
        "codes": st.lists(st.fixed_dictionaries({"code": CODES}, optional={"module": NAMES}), max_size=2),
        "readings": st.lists(METER | SCOPE, max_size=3),
        "steps": st.lists(
            st.fixed_dictionaries({"did": TEXTS}, optional={"minutes": st.integers(0, 600)}), max_size=2
        ),
        "trials": st.lists(
            st.fixed_dictionaries(
                {"did": of_list(TrialAction), "what": st.lists(NAMES, min_size=1, max_size=2)},
                optional={"outcome": of_list(Outcome), "at": NAMES, "note": TEXTS},
            ),
            max_size=2,
        ),
        "cause": st.fixed_dictionaries(
            {"fault": of_list(Fault)},
            optional={
                "where": st.fixed_dictionaries({"place": of_list(Place)}, optional={"text": TEXTS}),
                "mechanism": of_list(Mechanism),
                "proof": TEXTS,
            },
        ),
        "fix": st.fixed_dictionaries(
            {"done": TEXTS},
            optional={"parts": st.lists(st.fixed_dictionaries({"name": NAMES, "cost": MONEY}))},
        ),
        "verification": group(
            rescan=of_list(Rescan), road_test=st.just("18 km"), days_without_return=st.integers(0, 400)
        ),
        "provenance": group(author=NAMES, opened=DATES, invented=of_list(YesNo)),
        "review": group(state=of_list(Review), by=NAMES, on=DATES),
    },
)
KESTREL = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}, "concern": "no crank"}


@pytest.mark.slow
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(CASES)
@example(KESTREL | {"note": "a\n\n  b\n"})
@example(KESTREL | {"note": "\ufeff mark"})
@example(KESTREL | {"note": "line\u2028separator \u0085".strip("\u0085")})
@example(KESTREL | {"note": "trailing spaces   \nthen more " * 20})
@example(KESTREL | {"note": "\U0001f697 \ufffe \uffff"})
def test_any_record_survives_json_and_yaml(data: dict[str, Any]) -> None:
    """Random valid records, written in both notations and read again, are the record they were."""
    case = Case.model_validate(data)
    assert Case.model_validate(json.loads(canonical_json(case))) == case
    assert canonical_json(Case.model_validate(json.loads(canonical_json(case)))) == canonical_json(case)
    read = Case.model_validate_json(canonical_json(case))
    assert read == case
    unchecked = load_unchecked(record_yaml(case))
    assert unchecked == case
    assert canonical_json(unchecked) == canonical_json(case)


def load_unchecked(text: str) -> Case:
    """Return the record in `text`; its parts may contradict each other, as random ones do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("casebase.record.loading.inconsistencies", lambda case: [])
        (case,) = load_text(text, "case.yaml")
    return case


def test_a_written_record_has_its_keys_in_the_order_of_the_work() -> None:
    """Vehicle, complaint, networks, readings, cause, fix: as the template asks, whatever the order typed."""
    case = Case.model_validate(
        {"fix": {"done": "x"}, "readings": [], "cause": {"fault": "none"}, "lamps": ["abs"]} | KESTREL
    )
    written = record_yaml(case, "7zq4", 3)
    keys = [line.split(":")[0] for line in written.splitlines() if line[0] not in " -"]
    assert keys == ["id", "revision", "kind", "vehicle", "concern", "lamps", "cause", "fix"]
    assert written.startswith("id: 7zq4\nrevision: 3\nkind: fault case\n")


def test_a_written_record_is_logged_again_with_its_id_and_revision() -> None:
    """Whoever edits it sends the revision it was made from along; an ID of digits only stays text."""
    case = Case.model_validate(KESTREL)
    (read,) = load_text(record_yaml(case, "20240219", 3), "case.yaml")
    assert (read.id, read.revision) == ("20240219", 3)
    assert plain_data(read) == plain_data(case)


def test_a_written_record_is_readable_as_it_is() -> None:
    """Letters of any script stand as they are; words like yes and on need no quotes in YAML 1.2."""
    data = KESTREL | {
        "concern": "d\u00f8r \u96e8",
        "provenance": {"invented": "yes"},
        "steps": [{"did": "scan"}],
    }
    assert record_yaml(Case.model_validate(data)) == (
        "kind: fault case\nvehicle:\n  make: Norrvik\n  model: Skarn\nconcern: d\u00f8r \u96e8\n"
        "steps:\n- did: scan\nprovenance:\n  invented: yes\n"
    )
