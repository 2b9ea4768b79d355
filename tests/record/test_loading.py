"""From a file to records: YAML 1.2 and JSON, strict, with every problem told at once."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path
from textwrap import dedent

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase.errors import CasebaseError, InputError, RecordError
from casebase.record import loading
from casebase.record.loading import case_from_data, load_file, load_text, record_files
from casebase.record.vocabulary import Answers, Ignition, Kind, YesNo

LEAST = "kind: fault case\nvehicle: {make: Norrvik, model: Skarn}\nconcern: no crank\n"
LEAST_DATA = {
    "kind": "fault case",
    "vehicle": {"make": "Norrvik", "model": "Skarn"},
    "concern": "no crank",
}


def problems(text: str, suffix: str = ".yaml") -> list[str]:
    """Return the sentences with which a record file is refused, the file's name in front."""
    with pytest.raises(RecordError) as refused:
        load_text(text, f"case{suffix}", suffix)
    return str(refused.value).splitlines()


def test_on_off_yes_and_no_stay_words() -> None:
    """YAML 1.2 has no such truth values (YAML 1.2.2, 10.3.2); ignition is `on`, not true."""
    text = LEAST + dedent("""\
        modules: [{name: ABS, answers: no}, {name: ECM, answers: yes}]
        readings:
          - {quantity: voltage, line: CAN high, ignition: on, value: 2.5 V}
          - {quantity: resistance, line: CAN high, ignition: off, value: 60}
        provenance: {invented: yes}
        """)
    case = load_text(text, "case.yaml")[0]
    assert [module.answers for module in case.modules] == [Answers.NO, Answers.YES]
    assert [reading.ignition for reading in case.readings] == [Ignition.ON, Ignition.OFF]
    assert case.provenance.invented is YesNo.YES


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("0xC121", "U0121"),
        ("00532", "00532"),
        ("10452", "10452"),
        ("C1 21 00", "U0121-00"),
        ("639/9", "SPN 639 FMI 9"),
    ],
)
def test_a_code_without_quotes_is_read_as_typed(typed: str, kept: str) -> None:
    """Leading zeros and hex are part of a code, not of a number."""
    assert load_text(f"{LEAST}codes: [{{code: {typed}}}]", "case.yaml")[0].codes[0].code.text == kept


def test_a_value_without_quotes_keeps_its_digits() -> None:
    """`60.20` tells a meter that shows hundredths."""
    text = f"{LEAST}readings: [{{quantity: resistance, line: CAN high, value: 60.20}}]"
    assert str(load_text(text, "case.yaml")[0].readings[0].value) == "60.20 ohm"


def test_a_key_left_empty_counts_as_left_out() -> None:
    """A template filled in by half is a record; an empty text in quotes is a mistake."""
    assert load_text(f"{LEAST}cause:\nnote: ~\ntitle: null\n", "case.yaml") == load_text(LEAST, "case.yaml")
    assert problems(f'{LEAST}note: ""\n')[0].startswith("case.yaml: line 4, note is ''")


def test_the_words_null_and_tilde_in_quotes_are_text() -> None:
    """What stands in quotes was meant as it stands."""
    assert load_text(f"{LEAST}note: 'null'\ntitle: \"~\"\n", "case.yaml")[0].note == "null"


def test_a_yaml_file_may_hold_several_records() -> None:
    """Documents parted by `---`; empty ones between them do not count."""
    cases = load_text(f"---\n{LEAST}---\n---\n{LEAST}title: second\n...\n", "cases.yaml")
    assert [case.title for case in cases] == [None, "second"]


def test_json_and_json_lines_hold_the_same_record() -> None:
    """One object, a list, or one object per line: the same record as in YAML."""
    written = json.dumps(LEAST_DATA)
    one = load_text(LEAST, "case.yaml")[0]
    assert load_text(written, "case.json", ".json") == [one]
    assert load_text(f"[{written}, {written}]", "case.json", ".json") == [one, one]
    assert load_text(f"{written}\n\n{written}\n", "case.jsonl", ".jsonl") == [one, one]


def test_a_line_separator_inside_a_json_string_ends_no_record() -> None:
    """U+2028 may stand inside a JSON string (RFC 8259, 7)."""
    written = json.dumps(LEAST_DATA | {"note": "a\u2028b"}, ensure_ascii=False)
    assert load_text(written, "case.jsonl", ".jsonl")[0].note == "a\u2028b"


def test_a_file_is_read_by_its_ending(tmp_path: Path) -> None:
    """Endings count in any capitals; a byte order mark is skipped (RFC 8259, 8.1, allows it)."""
    (tmp_path / "case.JSON").write_text(json.dumps(LEAST_DATA), encoding="utf-8-sig")
    (tmp_path / "case.yml").write_text(LEAST.replace("\n", "\r\n"), encoding="utf-8", newline="")
    assert load_file(tmp_path / "case.JSON") == load_file(tmp_path / "case.yml")
    assert load_file(tmp_path / "case.yml")[0].kind is Kind.FAULT_CASE


def test_every_problem_of_a_file_is_told_at_once() -> None:
    """File, line, field, value, what was expected, and the near miss, for each of seven mistakes."""
    text = dedent("""\
        kind: falt case
        vehicle:
          make: Norrvik
          model_year: 2099
        concern: no crank
        lamps: [amber]
        codes:
          - {code: U9999}
        readings:
          - quantity: resistance
            line: CAN high
            vlaue: 60 ohm
            value: 400 Mohm
        """)
    told = problems(text)
    assert len(told) == 7
    assert told[0] == (
        "case.yaml: line 1, kind is 'falt case': did you mean 'fault case'? "
        "Not a word of this list: expected one of fault case, known good"
    )
    for line, sentence in zip((2, 4, 6, 8, 13, 12), told[1:], strict=True):
        assert f"line {line}, " in sentence
    assert "vehicle.model: missing: expected here" in told[1]
    assert "vehicle.model_year is '2099': no vehicle has that model year yet" in told[2]
    assert "codes[0].code is 'U9999'" in told[4]
    assert "readings[0].value is '400 Mohm': 400 Mohm cannot be a resistance: expected " in told[5]
    assert "readings[0].vlaue: did you mean 'value'? Unknown key: expected one of network, " in told[6]


def test_problems_of_the_second_record_have_their_own_lines() -> None:
    """In a file of several records the number of the record and the line of the file are told."""
    assert problems(f"{LEAST}---\n{LEAST}titel: x\n") == [
        f"case.yaml (record 2): line 8, {problems(f'{LEAST}titel: x')[0].split(', ', 1)[1]}"
    ]
    listed = json.dumps([LEAST_DATA, LEAST_DATA | {"titel": "x"}], indent=1)
    line = listed.splitlines().index('  "titel": "x"') + 1
    assert problems(listed, ".json")[0].startswith(f"case.json (record 2): line {line}, titel: did you mean")


def test_parts_that_contradict_each_other_are_told_with_their_line() -> None:
    """A line that the medium does not have, a network that is not listed: checked after the parts."""
    text = LEAST + dedent("""\
        networks: [{name: door LIN, medium: LIN}]
        readings:
          - {quantity: voltage, line: CAN-L,
             value: 2.5 V}
          - {quantity: voltage, line: LIN, network: dor LIN, value: 12 V}
        """)
    told = problems(text)
    assert told[0].startswith("case.yaml: line 8, readings[1].network is 'dor LIN': did you mean 'door LIN'?")
    assert told[1].startswith("case.yaml: line 6, readings[0].line is 'CAN low': LIN has no such line")


def test_status_typed_by_hand_is_refused_with_the_reason() -> None:
    """Nobody can tick `verified`: the status follows from the record."""
    told = problems(f"{LEAST}status: fixed, verified\nverified: yes\n")
    assert "line 4, status: worked out from what the record holds, never typed: leave it out" in told[0]
    assert "line 5, verified: worked out from cause.proof, fix and verification" in told[1]


def test_a_truth_value_is_no_word() -> None:
    """`answers: true` is refused: the words are yes, no, intermittent."""
    said = "answers is {}: not a word of this list: expected one of yes, no, intermittent"
    assert said.format("'true'") in problems(f"{LEAST}modules: [{{name: ABS, answers: true}}]")[0]
    data = LEAST_DATA | {"modules": [{"name": "ABS", "answers": True}]}
    assert said.format("True") in problems(json.dumps(data), ".json")[0]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("text", "suffix", "said"),
    [
        ("kind: [", ".yaml", "case.yaml: not readable as YAML: line 1, column 8"),
        ("kind: a: b", ".yaml", "case.yaml: not readable as YAML: line 1, column 8"),
        (f"{LEAST}concern: twice", ".yaml", 'line 4, column 1: found duplicate key "concern"'),
        ("title: *nowhere", ".yaml", "found undefined alias 'nowhere'"),
        ("title: \x07", ".yaml", "special characters are not allowed"),
        ("{", ".json", "case.json: not readable as JSON: "),
        ('{"kind": "fault case", "kind": "known good"}', ".json", "the key 'kind' is given twice"),
        ('{"kind": NaN}', ".json", "NaN is no number"),
        ('{"kind": ' + "9" * 5000 + "}", ".json", "case.json: not readable as JSON"),
        ("[" * 100_000, ".json", "case.json: nested too deep"),
        ("[" * 1500, ".yaml", "case.yaml: nested too deep"),
        ("", ".yaml", "case.yaml: holds no record"),
        ("# only a comment\n---\n", ".yaml", "case.yaml: holds no record"),
        ("[]", ".json", "case.json: holds no record"),
        ("\n\n", ".jsonl", "case.jsonl: holds no record"),
    ],
)
def test_a_damaged_file_is_refused_in_one_sentence(text: str, suffix: str, said: str) -> None:
    """Where the text is no YAML or JSON at all, the file and the place are told, never a traceback."""
    with pytest.raises(InputError) as refused:
        load_text(text, f"case{suffix}", suffix)
    assert said in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1


@pytest.mark.parametrize("text", ["just words", "- kind: fault case", "[]"])
def test_a_file_without_keys_is_no_record(text: str) -> None:
    """Free text or a bare list is told what a record begins with."""
    assert problems(text) == [
        "case.yaml: the file: expected keys such as kind, vehicle and readings at its top level"
    ]


def test_tags_of_yaml_make_nothing_but_text(tmp_path: Path) -> None:
    """A file from a stranger cannot call Python through a YAML tag."""
    mark = tmp_path / "mark"
    text = f"{LEAST}title: !!python/object/apply:pathlib.Path.touch [{mark}]\n"
    with suppress(CasebaseError):
        load_text(text, "case.yaml")
    assert not mark.exists()


def test_a_file_that_repeats_itself_through_aliases_is_refused_quickly() -> None:
    """Ten aliases of ten aliases, nine deep, would be a billion entries."""
    levels = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    with pytest.raises(InputError, match=r"case\.yaml: its aliases repeat into more than"):
        load_text(LEAST + "\n".join(levels), "case.yaml")


def test_an_alias_used_a_few_times_is_an_ordinary_way_to_write() -> None:
    """The same state of the vehicle may be written once and repeated by its anchor (YAML 1.2.2, 7.1)."""
    text = f"{LEAST}modules: [{{name: &abs ABS}}]\ncodes: [{{module: *abs, code: U0121}}]\n"
    case = load_text(text, "case.yaml")[0]
    assert (case.modules[0].name, case.codes[0].module) == ("ABS", "ABS")


def test_files_that_cannot_be_read_are_refused_with_the_reason(tmp_path: Path) -> None:
    """A missing file, a folder, bytes that are no UTF-8, a name that no system allows."""
    (tmp_path / "latin.yaml").write_bytes(b"title: caf\xe9\n")
    for path, said in (
        (tmp_path / "none.yaml", "cannot be read"),
        (tmp_path, "cannot be read"),
        (tmp_path / "latin.yaml", "not UTF-8 text (byte 10)"),
        (tmp_path / "nul\0.yaml", "cannot be read"),
    ):
        with pytest.raises(InputError) as refused:
            load_file(path)
        assert said in str(refused.value)


def test_a_file_far_too_large_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record is some kilobytes; a disk image is refused before it fills the memory."""
    monkeypatch.setattr(loading, "LARGEST_FILE_BYTES", 10)
    (tmp_path / "large.yaml").write_text(LEAST, encoding="utf-8")
    with pytest.raises(InputError, match="larger than"):
        load_file(tmp_path / "large.yaml")


def test_a_folder_stands_for_the_record_files_in_it(tmp_path: Path) -> None:
    """Record files in order of their names; other files and deeper folders are passed over."""
    for name in ("b.yaml", "a.json", "c.jsonl", "notes.txt", "deeper/d.yaml"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert [path.name for path in record_files([tmp_path])] == ["a.json", "b.yaml", "c.jsonl"]
    assert record_files([tmp_path / "b.yaml"]) == [tmp_path / "b.yaml"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="no record in this folder"):
        record_files([tmp_path / "empty"])


@pytest.mark.parametrize("data", [None, 3, "text", [LEAST_DATA]])
def test_data_that_is_no_mapping_is_no_record(data: object) -> None:
    """From whatever source the data comes, a record is keys and values."""
    with pytest.raises(RecordError, match="expected keys such as kind"):
        case_from_data(data, "the interview")


@pytest.mark.slow
@given(st.text(max_size=200), st.sampled_from([".yaml", ".json", ".jsonl"]))
def test_no_text_brings_anything_but_a_sentence(text: str, suffix: str) -> None:
    """Arbitrary text is refused by the project's own error, whatever the notation."""
    with suppress(CasebaseError):
        load_text(text, "case", suffix)


@pytest.mark.slow
@given(st.integers(0, len(LEAST) - 1), st.text(max_size=6), st.sampled_from([".yaml", ".json", ".jsonl"]))
def test_a_slip_of_the_finger_brings_a_record_or_a_sentence(place: int, typed: str, suffix: str) -> None:
    """A few characters typed over a good file give a record or sentences that can be printed."""
    text = LEAST if suffix == ".yaml" else json.dumps(LEAST_DATA)
    try:
        cases = load_text(text[:place] + typed + text[place + 2 :], "case", suffix)
    except CasebaseError as refused:
        str(refused).encode()
    else:
        assert all(case.vehicle.make for case in cases)
