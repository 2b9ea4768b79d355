"""A stuck job in the address: what is typed, what is made of it, and its file. Vehicles and reports are invented."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote_plus, urlencode

import pytest
from typer.testing import CliRunner

from casebase.commands.app import app
from casebase.errors import InputError
from casebase.match.facets.vehicle import VehicleIdentity, vehicle_likeness
from casebase.record.loading import load_text
from casebase.record.vocabulary import Answers, Medium, Quantity
from casebase.site.job_fields import MOST_CODES, MOST_OF_A_LIST, MOST_PROBLEMS
from casebase.site.job_given import LARGEST_QUERY_BYTES, FieldProblem
from casebase.site.job_link import (
    AskedJob,
    condition_choices,
    file_of,
    job_from_query,
    lamp_choices,
    medium_choices,
    reached_choices,
)
from casebase.site.job_readings import (
    MOST_READINGS,
    look_choices,
    reading_choices,
    state_choices,
    traffic_choices,
)

VEHICLE = [("make", "Norrvik"), ("model", "Fjellet")]
CAN = [("medium", "high-speed CAN")]

REPORT = """Vehicle scan, 3 modules answered
ABS module
  no response
Engine control module
  U0121-87 Lost communication with ABS   confirmed
Body control module (1 code):
  U0121 pending
"""


def asked(**fields: str | list[str]) -> AskedJob:
    """Return the job of these fields; `r1_what` stands for `r1.what`."""
    pairs = [
        (name.replace("_", ".", 1), text)
        for name, texts in fields.items()
        for text in ([texts] if isinstance(texts, str) else texts)
    ]
    return job_from_query(pairs)


def record(job: AskedJob) -> Any:
    """Return the record of a job in which something fits."""
    assert job.case is not None
    return job.case


def problems_in(job: AskedJob, field: str) -> list[FieldProblem]:
    """Return the problems of one field."""
    return [problem for problem in job.problems if problem.field == field]


def sentences(job: AskedJob) -> list[str]:
    """Return the problems in words."""
    return [problem.sentence() for problem in job.problems]


# --- readings -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "typed", "number"),
    [
        ("ohm-pair", "60,2", 60.2),
        ("ohm-pair", "1.2k", 1200.0),
        ("ohm-pair", "60.2 ohm", 60.2),
        ("ohm-low", "OL", float("inf")),
        ("volt-high", "2.4 V", 2.4),
        ("volt-low", "2,31", 2.31),
        ("volt-low", "350 mV", 0.35),
    ],
)
def test_a_value_is_understood_as_people_type_it(what: str, typed: str, number: float) -> None:
    """A decimal comma, a unit or none, k for kilohm, OL for more than the meter shows."""
    job = asked(medium="high-speed CAN", r1_what=what, r1_value=typed)
    assert job.problems == []
    assert record(job).readings[0].number == pytest.approx(number)


def test_one_reading_needs_a_choice_and_a_number() -> None:
    """Place and state follow from what was measured: at the DLC, ohms unpowered, volts with the tester silent."""
    job = asked(
        medium="high-speed CAN", r1_what="ohm-pair", r1_value="60", r2_what="volt-high", r2_value="2.6"
    )
    ohms, volts = record(job).readings
    assert (ohms.line, ohms.against, ohms.at) == ("CAN high", "CAN low", "DLC")
    assert (ohms.ignition, ohms.battery, ohms.unplugged) == ("off", "disconnected", None)
    assert (volts.ignition, volts.tester, volts.battery) == ("on", "silent", None)


def test_a_row_without_a_value_is_no_reading_and_no_mistake() -> None:
    """The form sends the empty row that it offers along with the others."""
    job = asked(r1_at="ABS", r1_unplugged="ABS", r1_what="ohm-pair", r1_state="off")
    assert (job.case, job.problems) == (None, [])


def test_a_mistake_in_one_row_leaves_the_others() -> None:
    """The row that cannot be read is named, with what was typed and what was expected."""
    job = asked(
        medium="high-speed CAN",
        r1_what="ohm-pair",
        r1_value="6o.2",
        r2_what="volt-high",
        r2_value="2.6",
        r3_value="12",
    )
    assert [reading.number for reading in record(job).readings] == [2.6]
    value, nothing_chosen = sentences(job)
    assert (
        value
        == "reading 1, value is '6o.2': 'o.2' is no unit of resistance: expected a value such as 60.2 ohm, 1.2k or OL"
    )
    assert nothing_chosen.startswith("reading 3, what was measured: nothing chosen")
    assert job.given.text("r1.value") == "6o.2"


@pytest.mark.parametrize(
    ("field", "typed"), [("r1_at", "x" * 201), ("r1_state", "asleep"), ("r1_unplugged", "x" * 201)]
)
def test_a_value_whose_place_or_state_is_not_understood_is_not_used(field: str, typed: str) -> None:
    """Ohms taken for a reading at the DLC with nothing unplugged would mean something else."""
    job = asked(wrong="no start", r1_what="ohm-pair", r1_value="120", **{field: typed})
    assert record(job).readings == []
    assert [problem.field for problem in job.problems] == [field.replace("_", ".")]


def test_what_was_unplugged_makes_it_a_reading_of_the_search() -> None:
    """`nothing` is not the same as not said."""
    job = asked(
        r1_what="ohm-pair", r1_value="60", r1_unplugged="ABS, EPS",
        r2_what="ohm-pair", r2_value="60", r2_unplugged="nothing",
    )  # fmt: skip
    isolated, as_found = record(job).readings
    assert (isolated.unplugged, isolated.stage) == (["ABS", "EPS"], "isolation")
    assert (as_found.unplugged, as_found.stage) == ([], "as found")


def test_a_scope_picture_is_told_by_its_looks() -> None:
    """Several looks may be ticked; no value is needed."""
    assert dict(traffic_choices())["no"] == "no traffic"
    job = asked(medium="LIN", r1_what="scope", r1_traffic="no", r1_looks=["noise", "slow edges"])
    reading = record(job).readings[0]
    assert (reading.quantity, reading.line) == ("waveform", "LIN")
    assert (reading.waveform.traffic, reading.waveform.looks) == ("no", ["noise", "slow edges"])


def test_a_line_that_the_medium_does_not_have_is_refused() -> None:
    """LIN has one wire: there is no CAN high to measure."""
    job = asked(medium="LIN", r1_what="volt-high", r1_value="2.5")
    assert record(job).readings == []
    assert "LIN has no such reading" in sentences(job)[0]


@pytest.mark.parametrize("medium", [*Medium, None])
def test_every_choice_offered_makes_a_reading(medium: Medium | None) -> None:
    """What the form lists for a medium fits it; keys are not given twice."""
    keys = [key for _, choices in reading_choices([medium] if medium else []) for key, _ in choices]
    rows = [
        pair
        for row, key in enumerate(keys, 1)
        for pair in ((f"r{row}.what", key), (f"r{row}.value", "unchanged"))
    ]
    job = job_from_query([*([("medium", str(medium))] if medium else []), *rows])
    assert job.problems == []
    assert len(record(job).readings) == len(keys) == len(set(keys))


def test_ohms_and_volts_of_the_pair_come_first_on_can() -> None:
    """What is measured first on a stuck CAN: ohms across the pair, volts of each line (common practice, no source)."""
    ((_, choices),) = reading_choices([Medium.HIGH_SPEED_CAN])
    assert [words for _, words in choices[:3]] == [
        "ohms CAN high to CAN low",
        "volts CAN high to ground",
        "volts CAN low to ground",
    ]


@pytest.mark.parametrize("state", [key for key, _ in state_choices()])
@pytest.mark.parametrize("what", ["ohm-pair", "volt-high"])
def test_every_state_offered_is_taken(state: str, what: str) -> None:
    """A state may be chosen for ohms and for volts."""
    job = asked(r1_what=what, r1_value="2", r1_state=state)
    assert job.problems == []
    assert (record(job).readings[0].quantity is Quantity.RESISTANCE) == (what == "ohm-pair")


# --- vehicle, network, modules, words -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "choices"),
    [("lamps", lamp_choices()), ("conditions", condition_choices()), ("r1.looks", look_choices())],
)
def test_every_word_offered_is_taken(field: str, choices: list[tuple[str, str]]) -> None:
    """What the form lists, all of it ticked at once."""
    job = job_from_query([("r1.what", "scope"), ("r1.traffic", "yes"), *((field, key) for key, _ in choices)])
    assert job.problems == []
    case = record(job)
    taken = {"lamps": case.lamps, "conditions": case.conditions, "r1.looks": case.readings[0].waveform.looks}
    assert taken[field] == [key for key, _ in choices]


@pytest.mark.parametrize("medium", [key for key, _ in medium_choices()])
@pytest.mark.parametrize("reached", [key for key, _ in reached_choices()])
def test_every_network_offered_is_taken(medium: str, reached: str) -> None:
    """Each medium may be reached in each way."""
    network = record(asked(medium=medium, reached=reached)).networks[0]
    assert (network.medium, network.reached) == (medium, reached)


def test_nothing_given_is_no_job_and_no_mistake() -> None:
    """The page opens with an empty form."""
    empty = job_from_query([])
    blank = job_from_query([("make", ""), ("wrong", " \n "), ("r1.value", ""), ("_open", "readings")])
    assert (empty.case, empty.problems) == (blank.case, blank.problems) == (None, [])


def test_a_mistake_in_one_field_loses_no_other() -> None:
    """The year cannot be read; everything else is answered, and what was typed is still there."""
    job = asked(
        make="Norrvik", model="Fjellet", year="20x5", platform="K4", wrong="no start", lamps=["abs", "abz"]
    )
    assert (record(job).vehicle.platform, record(job).concern) == ("K4", "no start")
    assert record(job).lamps == ["anti-lock brake system"]
    year, lamp = sentences(job)
    assert year == "model year is '20x5': expected a whole number"
    assert lamp.startswith("lamps is 'abz'")
    assert job.given.text("year") == "20x5"
    assert job.given.several("lamps") == ["abs", "abz"]


def test_readings_are_answered_without_a_vehicle() -> None:
    """A make that nobody gave counts neither for nor against a past case."""
    vehicle = record(asked(r1_what="ohm-pair", r1_value="120")).vehicle
    unknown = VehicleIdentity(vehicle.make, vehicle.model, vehicle.platform, vehicle.model_year)
    assert vehicle_likeness(unknown, VehicleIdentity("Norrvik", "Fjellet", "K4", 2015)).value is None


def test_a_bit_rate_without_a_network_asks_for_the_network() -> None:
    """The medium decides what a reading means; the rest says nothing without it."""
    job = asked(rate="500k", wrong="no start")
    assert record(job).networks == []
    assert problems_in(job, "medium")[0].sentence().startswith("kind of network: not chosen")


def test_the_network_is_made_from_its_medium() -> None:
    """Bit rate, DLC and terminators are optional."""
    job = asked(medium="hs-can", rate="500k", reached="behind a gateway", terminators="ECM, BCM")
    network = record(job).networks[0]
    assert (network.medium, network.bit_rate.number, network.reached) == (
        Medium.HIGH_SPEED_CAN,
        500_000,
        "behind a gateway",
    )
    assert network.terminators_in == ["ECM", "BCM"]


def test_trials_are_read_a_line_each_and_what_is_none_is_named() -> None:
    """As they are written to a colleague; one that cannot be read does not lose the others."""
    job = asked(tried="swapped TCM, no change\nthe customer called\nunplugged ABS: bus back")
    told = [trial.line() for trial in record(job).trials]
    assert told == ["swapped TCM: no change", "unplugged ABS: restored"]
    assert [(problem.where, problem.typed) for problem in job.problems] == [
        ("tried so far", "the customer called")
    ]


def test_traffic_may_be_seen_beside_volts() -> None:
    """A lamp at the DLC flickers: the volts are a mean, not silence."""
    job = asked(r1_what="volt-high", r1_value="2.5", r1_traffic="yes")
    assert record(job).readings[0].traffic == "yes"
    assert record(asked(r1_what="ohm-pair", r1_value="60", r1_traffic="yes")).readings[0].traffic is None


def test_an_electric_vehicle_brings_its_caution() -> None:
    """The form asks what drives the vehicle, for the sake of whoever works on it."""
    assert record(asked(powertrain="EV", wrong="no ready")).vehicle.has_high_voltage


def test_modules_are_parted_by_commas_or_lines() -> None:
    """A name with a comma stands in quotes."""
    job = asked(silent='ABS, EPS\n"door module, left front"', sometimes="SAS", answer="ECM;BCM")
    assert [(module.name, module.answers) for module in record(job).modules] == [
        ("ABS", Answers.NO),
        ("EPS", Answers.NO),
        ("door module, left front", Answers.NO),
        ("SAS", Answers.INTERMITTENT),
        ("ECM", Answers.YES),
        ("BCM", Answers.YES),
    ]


def test_what_all_others_do_is_asked_once_and_kept_in_the_link():
    """Yes, none, or not said; anything else is refused with what would be taken."""
    assert asked(silent="ABS", others="yes").case.others_answer == "yes"
    assert asked(silent="ABS").case.others_answer is None
    job = asked(silent="ABS", others="perhaps")
    assert job.case.others_answer is None
    assert [problem.field for problem in job.problems] == ["others"]


def test_a_module_cannot_answer_and_be_silent() -> None:
    """Two names of one module are one module."""
    job = asked(silent="ABS", answer="anti-lock brake system, ECM")
    assert [module.name for module in record(job).modules] == ["ABS", "ECM"]
    assert "already given as ABS" in sentences(job)[0]


def test_a_field_that_the_form_does_not_have_is_named() -> None:
    """A link typed by hand with a slip in it; the page's own fields begin with a line below."""
    job = asked(lamp="abs", wrong="no start")
    assert sentences(job) == ["lamp is 'abs': the form has no such field: did you mean lamps?"]


def test_a_field_given_twice_says_which_one_is_used() -> None:
    """Two links pasted together."""
    job = job_from_query([*VEHICLE, ("make", "Tessaro")])
    assert record(job).vehicle.make == "Norrvik"
    assert sentences(job) == ["make is 'Tessaro': given twice: the first is used; leave one of them empty"]


# --- codes --------------------------------------------------------------------------------------------------------


def test_a_pasted_scan_report_gives_codes_by_module_and_silent_modules() -> None:
    """Module, code and status as the report has them; who does not respond is silent."""
    job = asked(codes=REPORT)
    assert job.problems == []
    assert [(one.module, one.code.text, one.status) for one in record(job).codes] == [
        ("Engine control module", "U0121-87", "confirmed"),
        ("Body control module", "U0121", "pending"),
    ]
    assert record(job).silent_modules() == ["ABS module"]


def test_what_was_typed_counts_more_than_the_scan() -> None:
    """The module came back after the scan."""
    assert record(asked(codes=REPORT, answer="ABS")).silent_modules() == []


@pytest.mark.parametrize(
    "typed", ["U0121-00, SPN 639 FMI 9; 00532", "C1 21 00\nspn639 fmi9\n00532", "u0121-00,639/9,00532"]
)
def test_plain_codes_need_no_report(typed: str) -> None:
    """Letter codes, bytes, SPN with FMI and a maker's own numbers, where nothing else stands in the field."""
    assert [one.code.text for one in record(asked(codes=typed)).codes] == [
        "U0121-00",
        "SPN 639 FMI 9",
        "00532",
    ]


def test_a_code_that_cannot_be_read_is_told_and_the_others_are_kept() -> None:
    """The letter O typed for a zero."""
    job = asked(codes="ABS: U0121\nEPS: U01OO\n")
    assert [one.code.text for one in record(job).codes] == ["U0121"]
    assert sentences(job)[0].startswith("codes is 'EPS: U01OO': line 2 looks like a code")


def test_a_text_without_a_code_says_what_was_expected() -> None:
    """A single word is told by the grammar that it misses."""
    assert "expected a scan report" in sentences(asked(codes="nothing stored at all"))[0]
    assert (
        "U0121" in sentences(asked(codes="U012"))[0] or "expected a code" in sentences(asked(codes="U012"))[0]
    )


@pytest.mark.slow
@pytest.mark.parametrize(("between", "used"), [(" ", MOST_CODES), ("\n", 0)])
def test_ten_thousand_codes_are_refused(between: str, used: int) -> None:
    """A sentence says so; a line end takes three bytes, and the whole no longer fits the address."""
    job = asked(codes=between.join(f"U{number:04X}" for number in range(10_000)), wrong="no start")
    assert len(record(job).codes) == used
    assert record(job).concern == "no start"
    assert [problem.field for problem in job.problems] == ["codes"]


# --- limits -------------------------------------------------------------------------------------------------------


def test_more_codes_than_a_vehicle_stores_are_cut() -> None:
    """The sentence says how many there are and what to do."""
    job = asked(codes=" ".join(f"U{number:04X}" for number in range(MOST_CODES + 1)))
    assert len(record(job).codes) == MOST_CODES
    assert sentences(job) == [
        "codes: 201 codes: the first 200 are used; paste only the scan that belongs to this job"
    ]


def test_what_does_not_fit_into_an_address_is_left_out_and_the_rest_answered() -> None:
    """The longest text goes; it is kept as typed, so that it can be shortened."""
    report = "Ä" * (LARGEST_QUERY_BYTES // 4)
    job = job_from_query([*VEHICLE, ("codes", report), ("wrong", "no start")])
    assert record(job).concern == "no start"
    assert record(job).vehicle.make == "Norrvik"
    assert [problem.field for problem in job.problems] == ["codes"]
    assert f"at most {LARGEST_QUERY_BYTES:,} fit" in sentences(job)[0]
    assert job.given.text("codes") == report


def test_a_reading_of_which_a_part_does_not_fit_is_not_used() -> None:
    """120 ohm with half the modules unplugged is no 120 ohm with everything plugged in."""
    names = ", ".join(f"module {number}" for number in range(8000))
    rows = [("r1.what", "ohm-pair"), ("r1.value", "120"), ("r2.what", "ohm-pair"), ("r2.value", "60")]
    job = job_from_query([*rows, ("r1.unplugged", names)])
    assert [reading.number for reading in record(job).readings] == [60]
    assert [problem.field for problem in job.problems] == ["r1.unplugged"]


def test_an_address_up_to_the_limit_is_read() -> None:
    """Measured as it stands in the address, percent signs included."""
    pairs = [*VEHICLE, ("wrong", "no start"), ("_fill", "")]
    room = LARGEST_QUERY_BYTES - len(urlencode(pairs)) - 1
    assert job_from_query([*pairs[:-1], ("_fill", "x" * room)]).problems == []
    over = job_from_query([*pairs[:-1], ("_fill", "x" * (room + 1))])
    assert [problem.field for problem in over.problems] == ["_fill"]
    assert quote_plus("Ä") == "%C3%84"


def test_lists_have_an_end() -> None:
    """Modules and readings beyond any vehicle; problems beyond anybody's patience."""
    modules = asked(silent=",".join(f"module {number:x}x" for number in range(MOST_OF_A_LIST + 1)))
    assert len(record(modules).modules) == MOST_OF_A_LIST
    rows = [
        (f"r{row}.{name}", text)
        for row in range(1, 100)
        for name, text in (("what", "ohm-pair"), ("value", "60"))
    ]
    readings = job_from_query(rows)
    assert len(record(readings).readings) == MOST_READINGS
    assert len(readings.problems) == 1
    lamps = job_from_query([("lamps", f"lamp {number}") for number in range(3000)])
    assert lamps.case is None
    assert len(lamps.problems) == MOST_PROBLEMS + 1


@pytest.mark.parametrize("hidden", ["\0", "\x1b", "\u202e", "\u200f", "\ud800", "\ufeff", "\ufdd0"])
def test_what_cannot_be_seen_is_taken_out_and_told(hidden: str) -> None:
    """NUL, escape, marks that turn the direction, half a character: the rest of the text is used."""
    job = asked(make=f"Norr{hidden}vik", model="Fjellet", r1_what="ohm-pair", r1_value=f"60{hidden}.2")
    assert record(job).vehicle.make == "Norrvik"
    assert record(job).readings[0].number == 60.2
    assert [problem.field for problem in job.problems] == ["make", "r1.value"]
    assert all(sentence.isprintable() for sentence in sentences(job))
    job.given.text("make").encode()


# --- a file to take home ------------------------------------------------------------------------------------------


def test_the_file_is_a_record_that_casebase_log_takes(tmp_path: Any) -> None:
    """What was asked goes on as a case; what could not be read stands above it as a comment."""
    job = job_from_query(
        [
            *VEHICLE,
            *CAN,
            ("wrong", "no start:\n- since rain #2"),
            ("codes", REPORT),
            ("year", "20\n15x"),
            ("r1.what", "ohm-pair"),
            ("r1.value", "60,2"),
            ("r1.unplugged", "nothing"),
        ]
    )
    text = file_of(job)
    assert load_text(text, "the file") == [job.case]
    assert "# Look at: model year is '20?15x'" in text
    path, library = tmp_path / "job.yaml", tmp_path / "shop.db"
    path.write_text(text, encoding="utf-8")
    environment = {"CASEBASE_LIBRARY": str(library)}
    assert CliRunner().invoke(app, ["init"], env=environment).exit_code == 0
    done = CliRunner().invoke(app, ["log", str(path)], env=environment)
    assert done.exit_code == 0, done.output


def test_a_file_without_make_says_what_to_write_in() -> None:
    """A job asked by its readings alone can be kept too."""
    text = file_of(asked(r1_what="ohm-pair", r1_value="120"))
    assert "stands for a make or model that was not given" in text
    assert load_text(text, "the file")[0].vehicle.make == "?"


@pytest.mark.parametrize("pairs", [[], VEHICLE, [*VEHICLE, *CAN]])
def test_a_vehicle_alone_is_no_case_to_save(pairs: list[tuple[str, str]]) -> None:
    """`casebase log` would refuse a case that says nothing of a fault."""
    with pytest.raises(InputError, match="nothing to save yet: say what is wrong"):
        file_of(job_from_query(pairs))
