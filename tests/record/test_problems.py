"""Complaints turned into sentences a technician can act on."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from casebase.errors import Problem, RecordError
from casebase.record.case import Case
from casebase.record.problems import field_path, problems_of, with_lines

VEHICLE = {"make": "Norrvik", "model": "Skarn"}


def problems(text: str | None = None, **keys: Any) -> list[Problem]:
    """Return the problems of a fault case with `keys` added."""
    data = {"kind": "fault case", "vehicle": VEHICLE, **keys}
    with pytest.raises(ValidationError) as refused:
        Case.model_validate(data)
    return problems_of(refused.value, data, text)


def sentence(**keys: Any) -> str:
    """Return the only problem as its sentence."""
    (problem,) = problems(**keys)
    return problem.sentence()


@pytest.mark.parametrize(
    ("location", "path"),
    [
        (("readings", 2, "value"), "readings[2].value"),
        (("vehicle", "model"), "vehicle.model"),
        (("lamps", 0), "lamps[0]"),
        (("readings", 0, "waveform", "recessive", "CAN-X", "[key]"), "readings[0].waveform.recessive.CAN-X"),
        ((), "the file"),
        (("\x1b[31m",), "?[31m"),
    ],
)
def test_a_place_in_a_record_is_written_as_people_write_it(
    location: tuple[int | str, ...], path: str
) -> None:
    """Lists are counted from 0 in brackets; a key from the file cannot steer a terminal."""
    assert field_path(location) == path


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"vehicle": {"make": "Norrvik"}}, "vehicle.model: missing: expected here"),
        ({"vehicle": "Skarn"}, "vehicle is 'Skarn': expected keys and values, indented below it"),
        (
            {"vehicle": VEHICLE | {"model": ""}},
            "vehicle.model is '': empty: expected text, or leave the key out",
        ),
        ({"vehicle": VEHICLE | {"model": ["a"]}}, "vehicle.model is a list: expected text"),
        ({"vehicle": VEHICLE | {"model": {"a": 1}}}, "vehicle.model is a group of keys: expected text"),
        (
            {"vehicle": VEHICLE | {"model_year": 1911}},
            "vehicle.model_year is 1911: too low: expected 1980 or more",
        ),
        (
            {"vehicle": VEHICLE | {"model_year": "new"}},
            "vehicle.model_year is 'new': expected a whole number",
        ),
        (
            {"modules": "ABS"},
            "modules is 'ABS': expected a list: one entry per line, each starting with a dash",
        ),
        ({"modules": ["ABS"]}, "modules[0] is 'ABS': expected keys and values, indented below it"),
        ({"note": "x" * 20_001}, f"note is '{'x' * 59}...: too long: expected at most 20000 characters"),
        ({"note": "bell \x07"}, "note is 'bell ?': holds a control character: expected plain text"),
        ({"note": "half \ud800"}, "note is 'half ?': holds a broken character: expected plain text"),
        ({"id": "OIL"}, "id is 'OIL': expected an ID as the library gave it; leave it out of a new record"),
        (
            {"attachments": [{"file": "a/b"}]},
            "attachments[0].file is 'a/b': expected a file name without a folder",
        ),
        (
            {"provenance": {"opened": "2024-13-01"}},
            "provenance.opened is '2024-13-01': expected a date as YYYY-MM-DD",
        ),
        (
            {"provenance": {"opened": "2024-02-01T10:00"}},
            "provenance.opened is '2024-02-01T10:00': expected a date without a time, as YYYY-MM-DD",
        ),
        (
            {"verification": {"days_without_return": 50_000}},
            "verification.days_without_return is 50000: too high: expected 36500 or less",
        ),
        (
            {"readings": [{"quantity": "resistance", "value": "60"}]},
            "readings[0]: a resistance needs the key line, such as CAN high",
        ),
    ],
)
def test_each_mistake_has_its_sentence(keys: dict[str, Any], said: str) -> None:
    """Where, what stands there, what was expected: in one sentence without a word of the machinery."""
    assert sentence(**keys) == said


@pytest.mark.parametrize(
    ("keys", "meant"),
    [
        ({"lamps": ["airbagg"]}, "airbag"),
        ({"lamps": ["chek engine"]}, "engine"),
        ({"conditions": ["wett"]}, "wet"),
        ({"cause": {"fault": "low shorted to grund"}}, "low_shorted_to_ground"),
        ({"networks": [{"name": "a", "medium": "high-speed kan"}]}, "high-speed CAN"),
        ({"readings": [{"quantity": "voltage", "line": "CAN hihg", "value": "2"}]}, "CAN high"),
        ({"readings": [{"quantity": "waveform", "waveform": {"looks": ["rining"]}}]}, "ringing"),
        ({"readings": [{"quantity": "waveform", "waveform": {"dominant": {"CAN hgh": "2"}}}]}, "CAN high"),
        ({"verificaton": {}}, "verification"),
        ({"modules": [{"name": "ABS", "answer": "no"}]}, "answers"),
        ({"vehicle": VEHICLE | {"Model-Year": 2015}}, "model_year"),
        ({"cause": {"fault": "none", "were": {"place": "fuse"}}}, "where"),
        ({"provenance": {"autor": "x"}}, "author"),
    ],
)
def test_a_misspelt_key_or_word_has_its_near_miss(keys: dict[str, Any], meant: str) -> None:
    """Keys are matched against the keys of the same group, words against the words of their list."""
    (problem,) = problems(**keys)
    assert problem.suggestion == meant
    assert f"did you mean '{meant}'? " in problem.sentence()
    assert meant in problem.expected


def test_what_resembles_nothing_has_no_near_miss() -> None:
    """A guess far off would only mislead; the whole list is told all the same."""
    (problem,) = problems(lamps=["xyzzy"])
    assert problem.suggestion is None
    assert "expected one of engine, brake failure, anti-lock brake system" in problem.expected


def test_a_truth_value_is_told_without_a_guess() -> None:
    """`true` stands for no word; yes and no are listed."""
    (problem,) = problems(modules=[{"name": "ABS", "answers": True}])
    assert problem.suggestion is None
    assert problem.sentence().startswith(
        "modules[0].answers is True: not a word of this list: expected one of yes,"
    )


def test_the_line_is_that_of_the_deepest_part_that_is_there() -> None:
    """A value's own line, or for what is missing the line of the group that lacks it."""
    text = "kind: fault case\nvehicle:\n  make: Norrvik\nlamps:\n  - abs\n  - amber\n"
    told = problems(text, vehicle={"make": "Norrvik"}, lamps=["abs", "amber"])
    assert [(problem.field, problem.line) for problem in told] == [("vehicle.model", 2), ("lamps[1]", 6)]


def test_lines_are_left_out_where_the_text_is_no_yaml() -> None:
    """A file that cannot be parsed again still has its problems told."""
    (problem,) = problems("{", titel="x")
    assert problem.line is None
    assert problem.sentence().startswith("titel: did you mean 'title'?")


def test_problems_found_later_get_their_line_from_the_path() -> None:
    """What contradicts another part is found by its path; in a longer file by the record's number."""
    text = "note: first\n---\nreadings:\n  - at: DLC\n    line: LIN\n"
    (placed,) = with_lines([Problem("readings[0].line", "'LIN'", "expected another")], text, 1)
    assert placed.line == 5
    assert with_lines([], text) == []
    assert with_lines([Problem("cause", "", "x")], None)[0].line is None


def test_the_error_of_a_record_names_the_file_for_each_problem() -> None:
    """One line per problem, each with the file in front, so that it can be searched and clicked."""
    error = RecordError(
        "case.yaml", [Problem("kind", "", "missing", 1), Problem("note", "'x'", "expected y")]
    )
    assert str(error).splitlines() == [
        "case.yaml: line 1, kind: missing",
        "case.yaml: note is 'x': expected y",
    ]
    assert len(error.problems) == 2
