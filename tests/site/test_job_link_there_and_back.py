"""From a job to a link and back nothing that is compared gets lost; no text typed into an address does any harm."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any
from unicodedata import normalize
from urllib.parse import parse_qsl, urlencode

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from casebase.errors import InputError
from casebase.match.profile import Profile
from casebase.match.profile_of_case import profile_of
from casebase.record.case import Case, CodeEntry
from casebase.record.loading import load_text
from casebase.record.modules import module_identity
from casebase.record.vocabulary import Answers, Condition, Lamp, Look, Medium, Reached, YesNo
from casebase.site.job_fields import names_in, read_codes
from casebase.site.job_link import FIELDS, file_of, job_from_query
from casebase.site.job_readings import ROW_FIELDS, STATES, choices_of

sys.path.insert(0, str(Path(__file__).parent))

from job_as_link import codes_text, names_text, query_of, readings_left_out

Pairs = list[tuple[str, str]]


def compared(case: Case) -> Profile:
    """Return what is compared of a job.

    The form does not hold who kept it where and when, notes (of the job, of a reading, of a scope picture), and a
    title; the concern and the symptoms become one text. None of this is compared but the text.
    """
    profile = profile_of(case, "")
    readings = tuple(replace(reading, note=None, shown="") for reading in profile.readings)
    return replace(profile, title="", shop=None, dated=None, note=None, readings=readings)


def through_an_address(case: Case) -> Pairs:
    """Return the pairs of a link as a server gets them."""
    return parse_qsl(urlencode(query_of(case)), keep_blank_values=True)


JOBS = [
    "c7-thorne-driver-door-dead-in-rain.yaml",
    "e1-pavane-no-ready-can-high-under-one-volt.yaml",
    "hd3-h12-forty-ohm-after-tail-lift.yaml",
    "k4-fjellet-abs-silent.yaml",
    "k4-havik-climate-freezes.yaml",
    "k4-havik-dead-bus-comes-back.yaml",
    "t2-solenne-tailgate-lost-dlc-flat.yaml",
    "t2-velin-heavy-steering-high-reading-on-can-high.yaml",
]


@pytest.mark.slow
@pytest.mark.parametrize("name", JOBS)
def test_a_demo_job_is_asked_by_a_link_as_by_its_file(name: str, demo_jobs: dict[str, Case]) -> None:
    """All that is compared comes back, and the link is short enough to be sent."""
    job = demo_jobs[name]
    back = job_from_query(through_an_address(job))
    assert back.problems == []
    assert back.case is not None
    assert compared(back.case) == compared(job)
    assert readings_left_out(job) == []
    assert len(urlencode(query_of(job))) < 2000


def test_every_demo_job_is_asked(demo_jobs: dict[str, Case]) -> None:
    """No job is forgotten above."""
    assert sorted(demo_jobs) == JOBS


@pytest.mark.slow
def test_a_link_from_a_solved_case_asks_as_before_the_repair(demo_cases: dict[str, Case]) -> None:
    """Cause, fix, readings after the repair and what was left over are not in the question."""
    for case in demo_cases.values():
        back = job_from_query(through_an_address(case))
        assert back.problems == []
        assert back.case is not None
        assert back.case.cause is None
        assert len(back.case.readings) + len(readings_left_out(case)) == sum(
            reading.stage != "after repair" for reading in case.readings
        )
        assert case.leftover is None or case.leftover not in (back.case.concern or "")


# --- any job that the form holds ----------------------------------------------------------------------------------

# A bar in a module's name parts cells, and comes back as a stroke.
SEEN = st.characters(exclude_categories=["Cc", "Cs", "Cf", "Cn", "Zl", "Zp"], exclude_characters="|")
NAMES = (
    st.text(SEEN, min_size=1, max_size=20)
    .map(lambda text: " ".join(normalize("NFC", text).split()))
    .filter(lambda text: text not in {"", "?"})  # in the form a question mark stands for what is not said
)
TEXTS = st.text(SEEN | st.just("\n"), min_size=1, max_size=60).map(str.strip).filter(bool)
MODULES = st.lists(
    NAMES.map(lambda name: name.replace('"', "'"))
    | st.sampled_from(["ABS", "EPS", "door module, left front", "ECM A"]),
    max_size=6,
    unique_by=module_identity,
)
CODES = st.sampled_from(
    ["U0121", "U0121-87", "00532", "SPN 639 FMI 9", "SPN 639 FMI 9 OC 3", "maker:5E-21", "P0A0F"]
)
STATUSES = st.sampled_from(["confirmed", "pending", "0x2F", "history, odd words"]) | NAMES
ENTRIES = st.lists(
    st.fixed_dictionaries({"code": CODES}, optional={"module": NAMES | st.just("ABS"), "status": STATUSES}),
    max_size=6,
    unique_by=lambda entry: tuple(sorted(entry.items())),
)
OHMS = st.sampled_from(["60.2 ohm", "1.2 kohm", "OL", "about 60 ohm", "unchanged"])
VOLTS = st.sampled_from(["2.4 V", "2.3 to 2.7 V", "-0.3 V", "350 mV", "back to normal"])


def words_of(words: Any) -> st.SearchStrategy[list[str]]:
    """Return some words of a fixed list, each once."""
    return st.lists(st.sampled_from([str(word) for word in words]), max_size=3, unique=True)


@st.composite
def readings(draw: st.DrawFn, medium: Medium | None) -> dict[str, Any]:
    """Return a reading that the form has a row for."""
    choice = draw(st.sampled_from(choices_of(medium)))
    data = choice.data() | draw(st.sampled_from(list(STATES.values()))).data
    data |= {"at": draw(st.just("DLC") | NAMES)}
    data |= draw(st.fixed_dictionaries({}, optional={"unplugged": MODULES}))
    if choice.key == "scope":
        seen = draw(words_of(Look).filter(bool))
        return data | {
            "waveform": {"looks": seen, "traffic": draw(st.sampled_from([str(word) for word in YesNo]))}
        }
    return data | {"value": draw(OHMS if choice.key.startswith("ohm") else VOLTS)}


@st.composite
def jobs(draw: st.DrawFn) -> Case:
    """Return a job that the form holds."""
    medium = draw(st.sampled_from([*Medium, None]))
    network: dict[str, Any] = {"name": "a bus", "medium": str(medium)} | draw(
        st.fixed_dictionaries(
            {},
            optional={
                "bit_rate": st.sampled_from(["500 kbit/s", "33.333 kbit/s", "2 Mbit/s"]),
                "reached": st.sampled_from([str(word) for word in Reached]),
                "terminators_in": MODULES,
            },
        )
    )
    answers = st.sampled_from([str(word) for word in Answers])
    modules = [{"name": name, "answers": draw(answers)} for name in draw(MODULES)]
    # The form asks for those that are silent first.
    modules.sort(key=lambda module: ("no", "intermittent", "yes").index(module["answers"]))
    vehicle = {"make": draw(NAMES), "model": draw(NAMES)} | draw(
        st.fixed_dictionaries({}, optional={"model_year": st.integers(1980, 2024), "platform": NAMES})
    )
    return Case.model_validate(
        {
            "kind": "fault case",
            "vehicle": vehicle,
            "networks": [network] if medium else [],
            "lamps": draw(words_of(Lamp)),
            "conditions": draw(words_of(Condition)),
            "modules": modules,
            "codes": draw(ENTRIES),
            "readings": draw(st.lists(readings(medium), max_size=4)),
        }
        | draw(st.fixed_dictionaries({}, optional={"concern": TEXTS}))
    )


@pytest.mark.slow
@given(jobs())
@settings(max_examples=150, deadline=None)
def test_a_job_comes_back_from_its_link(job: Case) -> None:
    """Whatever the form holds is the same after the way through an address."""
    back = job_from_query(through_an_address(job))
    assert back.problems == []
    assert back.case is not None
    assert compared(back.case) == compared(job)
    assert query_of(back.case) == query_of(job)


@pytest.mark.slow
@given(MODULES)
def test_names_come_back_from_their_text(names: list[str]) -> None:
    """Commas inside a name part nothing."""
    assert names_in(names_text(names)) == names


@pytest.mark.slow
@given(ENTRIES)
@settings(deadline=None)
def test_codes_come_back_from_their_text(entries: list[dict[str, str]]) -> None:
    """Whatever the modules are called."""
    typed = read_codes(codes_text(CodeEntry.model_validate(entry) for entry in entries))
    assert (typed.entries, typed.silent, typed.problems) == (entries, [], [])


def test_a_bar_in_a_name_comes_back_as_a_stroke() -> None:
    """Bars part the cells of a row; the module stays the same."""
    text = codes_text([CodeEntry.model_validate({"module": "EPS|steering: left", "code": "U0121"})])
    module = read_codes(text).entries[0]["module"]
    assert module_identity(module) == module_identity("EPS|steering: left")


def test_codes_are_written_as_a_scan_would_say_them() -> None:
    """One line each, to be read in the form."""
    entries = [
        {"module": "ABS", "code": "U0121-87", "status": "confirmed"},
        {"module": "ECM", "code": "U0100"},
    ]
    text = codes_text(CodeEntry.model_validate(entry) for entry in entries)
    assert text == "ABS: U0121-87 confirmed\nECM: U0100"


# --- any text -----------------------------------------------------------------------------------------------------

ROWS = st.builds("r{}.{}".format, st.integers(0, 12) | st.just(1000), st.sampled_from([*ROW_FIELDS, "note"]))
ANY_FIELD = st.sampled_from([*FIELDS, "_open"]) | ROWS | st.text(max_size=6)
LIKELY = st.sampled_from(
    [
        *(
            "60,2",
            "2.4 V",
            "OL",
            "LIN",
            "high-speed CAN",
            "ohm-pair",
            "volt-high",
            "scope",
            "off",
            "yes",
            "noise",
            "abs",
        ),
        *(
            "U0121",
            "wet",
            "2015",
            "?",
            "nothing",
            "ABS: U0121\nEPS no response",
            "a | U0121 | b",
            "\0",
            "\u202eABS",
        ),
        *('"', "|", ","),
    ]
)
ANY_TEXT = LIKELY | st.text(st.characters(), max_size=40)


@pytest.mark.slow
@given(st.lists(st.tuples(ANY_FIELD, ANY_TEXT), max_size=25))
@settings(max_examples=400, deadline=None)
@example([("codes", "\ud800"), ("r1.what", "ohm-pair"), ("r1.value", "\ud800")])
@example([("make", "\u200b"), ("wrong", "\x00")])
@example([("unknown\ud800", "x")])
def test_no_text_in_an_address_does_any_harm(pairs: Pairs) -> None:
    """Any pairs give a job, problems in printable sentences, and all that was typed word for word."""
    job = job_from_query(pairs)
    assert list(job.given.pairs) == pairs
    for problem in job.problems:
        sentence = problem.sentence()
        assert sentence.isprintable()
        sentence.encode()
    for field, _ in pairs:
        job.given.text(field).encode()
    assert job.given.next_row not in job.given.rows
    try:
        text = file_of(job)
    except InputError:
        return
    assert load_text(text, "the file") == [job.case]
