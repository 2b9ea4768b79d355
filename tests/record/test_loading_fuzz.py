"""Whatever a file holds, the loader gives records or sentences: never a traceback, never a hang."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.errors import CasebaseError
from casebase.record.case import Case
from casebase.record.json_form import canonical_json
from casebase.record.loading import load_text
from casebase.record.problems import MOST_PROBLEMS

pytestmark = pytest.mark.slow

GOOD: dict[str, Any] = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Fjellet", "model_year": 2015, "odometer": "84200 km"},
    "concern": "No crank.",
    "networks": [{"name": "powertrain CAN", "medium": "high-speed CAN", "bit_rate": "500 kbit/s"}],
    "modules": [{"name": "ABS", "answers": "no"}],
    "codes": [{"module": "ECM", "code": "U0121-87"}],
    "readings": [{"quantity": "voltage", "line": "CAN high", "ignition": "on", "value": "2.5 V"}],
    "fix": {"done": "Joined.", "minutes": 40, "cost": "184.50 EUR"},
    "provenance": {"author": "tova", "opened": "2024-02-19", "invented": "yes"},
}

KEYS = sorted(
    {*Case.model_fields, *(key for part in GOOD.values() if isinstance(part, dict) for key in part)}
)

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=30)
    | st.sampled_from(["OL", "60.2 ohm", "1e999 V", "2031-01-01", "U0121-GG", "\ud800", "nul\0", "9" * 5000])
)
anything = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)

PIECES = [
    *(
        "kind: fault case\n",
        "vehicle: {make: A, model: B}\n",
        "concern: x\n",
        "readings:\n",
        "- ",
        "  ",
        "\t",
        "\n",
    ),
    *(
        "&a ",
        "*a ",
        "*a",
        "<<: ",
        "? ",
        ": ",
        "!!set ",
        "!!int ",
        "!x ",
        "!!python/name:os ",
        "|\n",
        ">-\n",
        "---\n",
    ),
    *(
        "...\n",
        "%YAML 1.1\n",
        "%TAG ! !\n",
        "{",
        "}",
        "[",
        "]",
        ", ",
        '"',
        "'",
        "\\",
        '"\\ud800"',
        "#",
        "@",
        "`",
        "~",
    ),
    *(
        "null",
        "\r",
        "\x85",
        "\u2028",
        "\ufeff",
        "\0",
        "\x1b",
        "\U0001f4a5",
        "0x" + "f" * 99,
        ".nan",
        "1e999",
        "x" * 999,
    ),
]
pieced = st.lists(st.sampled_from(PIECES), max_size=30).map("".join)


def records_or_sentences(text: str, suffix: str) -> None:
    """Load `text`; a record must be fit to be kept, a refusal fit to be printed."""
    try:
        cases = load_text(text, "case", suffix)
    except CasebaseError as refused:
        lines = str(refused).split("\n")
        assert all(line.startswith("case") for line in lines)
        assert all(character.isprintable() for line in lines for character in line)
        assert len(lines) <= MOST_PROBLEMS + 1
        assert max(map(len, lines)) < 2_000
    else:
        for case in cases:
            assert Case.model_validate_json(canonical_json(case)) == case.model_copy(
                update={"id": None, "revision": None}
            )


@settings(deadline=None)
@given(text=pieced)
def test_yaml_put_together_from_its_own_signs_brings_no_traceback(text: str) -> None:
    """Anchors, tags, directives, quotes and indents in any order are a record or are refused."""
    records_or_sentences(text, ".yaml")


@settings(deadline=None)
@given(key=st.sampled_from(KEYS) | st.text(max_size=5), value=anything)
def test_anything_under_any_key_brings_no_traceback(key: str, value: Any) -> None:
    """A good record with one key set to whatever JSON can say."""
    records_or_sentences(json.dumps(GOOD | {key: value}), ".json")


@settings(deadline=None)
@given(part=st.sampled_from(sorted(GOOD)), key=st.sampled_from(KEYS), value=anything)
def test_anything_deeper_down_brings_no_traceback(part: str, key: str, value: Any) -> None:
    """The same one level deeper, in the parts of a record, in JSON lines."""
    inner = GOOD[part]
    if isinstance(inner, dict):
        changed: Any = inner | {key: value}
    else:
        changed = [inner[0] | {key: value}, value] if isinstance(inner, list) else value
    records_or_sentences(json.dumps(GOOD | {part: changed}), ".jsonl")


@settings(deadline=None)
@given(cut=st.integers(0, len(json.dumps(GOOD))), put=st.text(max_size=3) | st.sampled_from(PIECES))
def test_a_record_spoilt_in_one_place_brings_no_traceback(cut: int, put: str) -> None:
    """JSON is YAML too: cut open anywhere, with something put in, read both ways."""
    text = json.dumps(GOOD)
    for suffix in (".json", ".yaml"):
        records_or_sentences(text[:cut] + put + text[cut:], suffix)


@pytest.mark.parametrize(
    ("text", "suffix"),
    [
        ("[" * 100_000, ".yaml"),
        ("{a: " * 50_000, ".yaml"),
        ("- " * 50_000, ".yaml"),
        ("\n".join(" " * depth + "a:" for depth in range(600)), ".yaml"),
        ("[" * 100_000, ".json"),
        ('{"a":' * 100_000, ".jsonl"),
        ("&a [" + "*a, " * 500 + "*a]", ".yaml"),
        ("kind: &a {b: *a, c: *a}\n", ".yaml"),
        ("\n".join(f"k{number}: 1" for number in range(3_000)), ".yaml"),
        ("lamps: [" + "engin, " * 5_000 + "engine]", ".yaml"),
        ('{"k": 1, ' + ", ".join(f'"k{number}": 1' for number in range(50_000)) + ', "k": 2}', ".json"),
        ('{"kind": ' + "9" * 100_000 + "}", ".json"),
    ],
    ids=range(12),
)
def test_a_file_made_to_take_long_is_refused(text: str, suffix: str) -> None:
    """Depth, aliases, thousands of mistakes: none makes the loader run away (how long it takes: tests/bench)."""
    with pytest.raises(CasebaseError):
        load_text(text, "case", suffix)
    records_or_sentences(text, suffix)


def test_an_anchor_set_twice_brings_no_warning_to_the_screen(recwarn: pytest.WarningsRecorder) -> None:
    """YAML lets a later anchor replace an earlier one (YAML 1.2.2, 7.1, from memory): nothing to warn of."""
    text = "kind: fault case\nvehicle: {make: &a Norrvik, model: &a Fjellet}\nconcern: *a\n"
    assert load_text(text, "case.yaml")[0].concern == "Fjellet"
    with pytest.raises(CasebaseError):
        load_text(text + "odometer: *a\n", "case.yaml")
    assert [str(warning.message) for warning in recwarn] == []
