"""One record, one canonical JSON, one digest, however it was typed."""

from __future__ import annotations

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.record.case import ID_PATTERN, Case
from casebase.record.json_form import ID_LENGTH, canonical_json, id_from, plain_data, sha256_of
from casebase.record.loading import load_text

TYPED_NEATLY = """\
kind: fault case
vehicle: {make: Norrvik, model: Skarn, model_year: 2015, odometer: 84200 km}
concern: no crank
lamps: [anti-lock brake system]
conditions: [wet]
networks: [{name: drive CAN, medium: high-speed CAN, bit_rate: 500 kbit/s}]
modules: [{name: ABS, answers: no}]
codes: [{module: ECM, code: U0121-87}]
readings:
  - {quantity: resistance, line: CAN high, against: CAN low, unplugged: [], value: 1.2 kohm}
  - {quantity: waveform, waveform: {traffic: yes, recessive: {CAN high: 2.5 V}, looks: [ringing]}}
fix: {done: joined, minutes: 90, cost: 184.50 EUR}
provenance: {opened: 2024-02-19}
"""
TYPED_IN_A_HURRY = """\
provenance: {"opened": "2024-02-19"}
fix: {cost: "\u20ac 184,50", minutes: 1.5 h, done: "  joined "}
readings:
  - {value: 1.2k, against: can_l, line: CAN-H, quantity: Ohms, at: OBD, stage: As found, unplugged: nothing}
  - {quantity: scope, waveform: {looks: Ringing, recessive: {canh: 2.5}, traffic: YES}}
codes: [{code: u0121 87, module: ECM, status: }]
modules:
  - name: ABS
    answers: No
networks: [{bit_rate: 500k, medium: HS-CAN, name: drive  CAN, terminators_in: []}]
conditions: rain
lamps: abs
concern: no crank
cause:
vehicle: {model: Skarn, make: Norrvik, odometer: 84 200 km, model_year: "2015"}
kind: Fault_Case
review: {state: not read yet}
"""


def one(text: str) -> Case:
    """Return the only record in `text`."""
    (case,) = load_text(text, "case.yaml")
    return case


def test_the_same_record_typed_differently_has_the_same_digest() -> None:
    """Order of keys, short forms, units, commas, defaults written out: one and the same case."""
    neat, hurried = canonical_json(one(TYPED_NEATLY)), canonical_json(one(TYPED_IN_A_HURRY))
    assert neat == hurried
    assert sha256_of(neat) == sha256_of(hurried)


@pytest.mark.parametrize(
    ("typed", "otherwise"),
    [
        ("1.2 kohm", "1.20 kohm"),
        ("answers: no", "answers: intermittent"),
        ("unplugged: [], ", ""),
        ("U0121-87", "U0121"),
        ("no crank", "no crank."),
    ],
)
def test_a_record_that_says_something_else_has_another_digest(typed: str, otherwise: str) -> None:
    """Another digit, another word, a state left out: another revision."""
    assert typed in TYPED_NEATLY
    changed = one(TYPED_NEATLY.replace(typed, otherwise))
    assert sha256_of(canonical_json(changed)) != sha256_of(canonical_json(one(TYPED_NEATLY)))


def test_canonical_json_has_sorted_keys_no_spaces_and_plain_letters() -> None:
    """The form in which two machines write the same bytes (compare RFC 8785, 3.2)."""
    written = canonical_json(one(TYPED_NEATLY.replace("no crank", "d\u00f8r")))
    assert written == json.dumps(
        json.loads(written), sort_keys=True, separators=(",", ":"), ensure_ascii=False
    )
    assert written.startswith(
        '{"codes":[{"code":"U0121-87","module":"ECM"}],"concern":"d\u00f8r","conditions":["wet"]'
    )
    assert "null" not in written


def test_what_was_not_said_is_not_written() -> None:
    """Neither empty lists nor defaults stand in the record; a record that says little is little."""
    assert plain_data(one("kind: fault case\nvehicle: {make: Norrvik, model: Skarn}\nconcern: x\n")) == {
        "kind": "fault case",
        "vehicle": {"make": "Norrvik", "model": "Skarn"},
        "concern": "x",
    }


def test_id_and_revision_belong_to_the_library_not_to_the_record() -> None:
    """The same case has one digest in two libraries that gave it different IDs."""
    assert canonical_json(one(f"id: 7zq4abcd\nrevision: 3\n{TYPED_NEATLY}")) == canonical_json(
        one(TYPED_NEATLY)
    )


def test_the_digest_is_sha_256_of_the_utf_8_bytes() -> None:
    """SHA-256 of `abc` as published (FIPS 180-2, appendix B.1)."""
    assert sha256_of("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256_of("d\u00f8r") == hashlib.sha256("d\u00f8r".encode()).hexdigest()


@pytest.mark.parametrize(
    ("digest", "case_id"),
    [("00" * 32, "00000000"), ("ff" * 32, "zzzzzzzz"), ("0123456789" + "00" * 27, "04hmasw9")],
)
def test_an_id_is_the_first_forty_bits_in_crockford_base_32(digest: str, case_id: str) -> None:
    """Five bits a character: 0123456789 is 00000 00100 10001 10100 01010 11001 11100 01001 in binary."""
    assert id_from(digest) == case_id


@pytest.mark.slow
@given(st.binary(min_size=32, max_size=32), st.integers(8, 26))
def test_every_digest_gives_an_id_of_the_pattern(digest: bytes, length: int) -> None:
    """Longer IDs begin with the shorter ones, and no letter can be misread for a digit."""
    long = id_from(digest.hex(), length)
    assert (
        Case.model_validate({"id": long, "kind": "known good", "vehicle": {"make": "a", "model": "b"}}).id
        == long
    )
    assert len(long) == length
    assert id_from(digest.hex(), ID_LENGTH)[:length] == long[:ID_LENGTH]
    assert not set(long) & set("ilou"), ID_PATTERN
