"""The interview: what is asked, in which order, what is taken and what refused, going back, taking up a draft."""

import json
from contextlib import suppress
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.errors import InputError
from casebase.intake.interview import Interview, state_line
from casebase.intake.question import Known
from casebase.intake.script import Beginning
from casebase.record.case import status_of
from casebase.record.json_form import plain_data
from casebase.record.vocabulary import Answers, Kind, Line, Medium, Stage, Status

TODAY = date(2026, 3, 2)
VEHICLE = {"vehicle.make": "Norrvik", "vehicle.model": "Skarn"}
NETWORK = {"networks": "hs can, called powertrain CAN"}
JOB = {
    **VEHICLE,
    **NETWORK,
    "concern": "Dies at the lights, all lamps on",
    "seen": "engine lamp, ABS, wet, rough road, gauges drop to zero",
    "scan.report": "BCM U0121-00 confirmed\nEPS no response",
    "readings[0]": "6 to 14 122",
    "readings.state": "battery off, nothing unplugged",
    "tried": "bridged splice S204: 61 ohm",
    "cause.fault": "a terminator missing",
    "cause.where": "splice",
    "cause.proof": "61 ohm with the splice bridged, 122 ohm without",
    "fix": "new splice; splice sleeve 4.00 EUR; 184.50 EUR",
    "verification": "scan clean, 6 to 14 60.4 ohm",
    "leftover": "U0155 came back once in the cold",
    "keep": "yes",
}

EVERYTHING = {
    **VEHICLE,
    "vehicle.more": "2019, K2, V6, mild hybrid, Europe, 84 200 km, NKKDS41B9K0012345",
    "concern": "Windows dead",
    "seen": "engine, brake failure, wet, windows dead, no chime",
    "networks": "fault-tolerant CAN 125k called body CAN, behind gateway GWM, terminators in BCM and splice S204;"
    " LIN 19.2 called door LIN, not at the DLC",
    "scan.report": "BCM U0121-00",
    "scan.right": "all",
    "modules": "DDM, PDM, ABS at times, BCM answers",
    "readings[0]": "supply to ground 11.8 at connector of BCM",
    "readings[0].network": "body CAN",
    "readings[1]": "scope",
    "readings[1].network": "door",
    "readings[1].at": "DLC",
    "readings[1].ignition": "on",
    "readings[1].battery": "con",
    "readings[1].unplugged": "ABS, EPS",
    "readings[1].tester": "talking",
    "readings[1].stage": "2",
    "readings[1].traffic": "n",
    "readings[1].recessive": "12",
    "readings[1].dominant": "0.4",
    "readings[1].looks": "slow",
    "readings[1].waveform_note": "one slave only",
    "readings[2]": "volts",
    "readings[2].network": "body CAN",
    "readings[2].pair": "other",
    "readings[2].line": "supply",
    "readings[2].against": "gnd",
    "readings[2].at": "connector of BCM",
    "readings[2].same_state": "y",
    "readings[2].value": "11.9",
    "readings[3]": "no",
    "readings.state": "engine running, ABS and EPS unplugged",
    "tried": "swapped TCM (used part), no change; load test: 1 V drop, 15 min",
    "cause.fault": "corroded",
    "cause.where": "connector C12 of BCM; water; body CAN",
    "cause.proof": "drop gone with the terminal cleaned",
    "fix": "new terminal; part terminal 2.00 EUR; 1.5 h; 120 EUR",
    "verification": "cleared, scan clean, 12 km, 3 days, not back, H 0.3",
    "leftover": "chime late",
    "provenance": "day.tech; Quay Street Garage; opened yesterday; ended today",
    "keep": "yes",
}


def begin(**more: object) -> Interview:
    """Begin an interview at Quay Street Garage (invented)."""
    return Interview(Beginning(TODAY, author="lead.tech", shop="Quay Street Garage", **more))


def go_to(interview: Interview, key: str, answers: dict[str, str]) -> Interview:
    """Answer from `answers`, Enter alone for all else, until the question `key` is due."""
    while interview.question and interview.question.key != key:
        interview.answer(answers.get(interview.question.key, ""))
    assert interview.question, f"{key} was never asked"
    return interview


def hold(interview: Interview, answers: dict[str, str]) -> list[str]:
    """Answer everything from `answers`, Enter alone for all else; return the keys asked."""
    asked = []
    while interview.question:
        asked.append(interview.question.key)
        interview.answer(answers.get(interview.question.key, ""))
    return asked


@pytest.mark.slow
def test_a_whole_job_becomes_a_verified_case() -> None:
    """What was answered stands in the record; the status follows from cause, proof, fix and clean rescan."""
    interview = begin()
    hold(interview, JOB)
    case = interview.case()
    assert status_of(case) is Status.FIXED_VERIFIED
    assert case.vehicle.line() == "Norrvik Skarn"
    assert case.networks[0].medium is Medium.HIGH_SPEED_CAN
    assert [str(condition) for condition in case.conditions] == ["wet", "rough road"]
    assert [(entry.module, entry.code.text) for entry in case.codes] == [("BCM", "U0121-00")]
    assert case.silent_modules() == ["EPS"]
    assert [reading.number for reading in case.readings] == [122.0, 60.4]
    assert case.readings[1].stage is Stage.AFTER_REPAIR
    assert case.fix.parts[0].name == "splice sleeve"
    assert (case.provenance.author, case.provenance.opened, case.provenance.ended) == (
        "lead.tech",
        TODAY,
        TODAY,
    )


def test_it_asks_in_the_order_in_which_the_work_is_done() -> None:
    """From the vehicle through scan and readings to cause, fix and proof, each part in one piece."""
    interview, parts = begin(), []
    while interview.question:
        if interview.question.part not in parts[-1:]:
            parts.append(interview.question.part)
        interview.answer(JOB.get(interview.question.key, ""))
    assert tuple(parts) == interview.parts


@pytest.mark.parametrize(
    ("key", "text", "sentence"),
    [
        ("vehicle.make", "", "needed"),
        ("vehicle.more", "1985, 2003, 2004", "was given already|no unit"),
        ("vehicle.more", "K2, K3", "platform was given already"),
        ("vehicle.more", "NKKDS41B9KO012345", "did you mean NKKDS41B9K0012345"),
        ("vehicle.more", "99999999 km", "odometer"),
        ("seen", "engine, airbg", "did you mean 'airbag'"),
        ("networks", "ring", "names no kind of network"),
        ("networks", "LIN; LIN", "already on this record"),
        ("networks", "can 0.1", "bit rate"),
        ("scan.report", "all is well", "no trouble code"),
        ("scan.right", "9", "expected numbers of the list"),
        ("modules", "EPS, EPS", "named twice"),
        ("readings[0]", "all is well", "no reading was found"),
        ("readings.state", "sunny", "expected ignition, battery"),
        ("readings.state", "key maybe", "no state of ignition"),
        ("tried", "swapped", "does not say what was swapped"),
        ("cause.fault", "terminator", "could be"),
        ("cause.fault", "other", "say it in words"),
        ("fix", "184.50 EUR", "does not say what was done"),
        ("provenance", "lead; shop; opened 2.3.2026", "YYYY-MM-DD"),
        ("provenance", "lead; shop; opened today; ended 2026-03-01", "before it was opened"),
        ("keep", "no", "back"),
    ],
)
def test_an_answer_that_does_not_fit_is_refused_at_once(key: str, text: str, sentence: str) -> None:
    """One sentence says what was expected, and the same question is still due."""
    interview = go_to(begin(), key, JOB)
    with pytest.raises(InputError, match=sentence) as refused:
        interview.answer(text)
    assert "\n" not in str(refused.value)
    assert interview.question.key == key


@pytest.mark.parametrize("typed", ["1", "can", "CAN 500", "hs can", "High-Speed CAN", "high-speed CAN 500k"])
def test_a_network_may_be_typed_as_people_say_it(typed: str) -> None:
    """CAN alone is high-speed CAN (common practice, no source), and is shown as such before it is kept."""
    interview = go_to(begin(), "networks", VEHICLE)
    interview.answer(typed)
    (network,) = interview.data["networks"]
    assert (network["medium"], network.get("bit_rate", "500 kbit/s")[:5]) == ("high-speed CAN", "500 k")


def test_the_negative_pole_is_never_taken_for_the_positive_one() -> None:
    """Plain forms drop the minus sign; the full word, in any capitals, is compared first."""
    for typed in ("battery -", "Battery -"):
        answers = {
            **VEHICLE,
            "readings[0]": "voltage",
            "readings[0].line": "supply",
            "readings[0].value": "12.4",
        }
        interview = go_to(begin(), "readings[0].against", answers)
        interview.answer(typed)
        go_to(interview, "readings[1]", answers)
        interview.answer("")
        assert interview.data["readings"][0]["against"] == Line.BATTERY_MINUS


def test_four_readings_are_typed_in_one_line() -> None:
    """The state is told once, and goes to the readings that it can be of."""
    typed = {
        **NETWORK,
        "readings[0]": "6 to 14 60.2, H 2.6 L 2.4, H to battery + 9.8",
        "readings.state": "ohms: battery off; volts: key on; nothing unplugged",
    }
    interview = go_to(begin(), "tried", {**VEHICLE, "concern": "dead", **typed})
    readings = interview.data["readings"]
    assert [(reading["line"], reading["against"], reading["value"]) for reading in readings] == [
        ("CAN high", "CAN low", "60.2 ohm"),
        ("CAN high", "ground", "2.6 V"),
        ("CAN low", "ground", "2.4 V"),
        ("CAN high", "battery +", "9.8 V"),
    ]
    states = [(reading.get("battery"), reading.get("ignition"), reading["unplugged"]) for reading in readings]
    assert states == [("disconnected", None, "nothing"), *[(None, "on", "nothing")] * 3]


def test_readings_may_be_asked_for_step_by_step() -> None:
    """After the first reading of a kind only its quantity and its value are typed; all else is offered."""
    typed = {
        **NETWORK,
        "readings[0]": "voltage",
        "readings[0].ignition": "on",
        "readings[0].battery": "con",
        "readings[0].unplugged": "nothing",
        "readings[0].tester": "silent",
        **{f"readings[{index}]": "volts" for index in range(1, 5)},
        **{
            f"readings[{index}].value": value
            for index, value in enumerate(("2.6", "2.4", "0.2", "9.8", "10"))
        },
    }
    interview = go_to(begin(), "tried", {**VEHICLE, "concern": "dead", **typed})
    readings = interview.data["readings"]
    assert [(reading["line"], reading["against"]) for reading in readings] == [
        ("CAN high", "ground"),
        ("CAN low", "ground"),
        ("CAN high", "CAN low"),
        ("CAN high", "battery +"),
        ("CAN low", "battery +"),
    ]
    assert all(reading["ignition"] == "on" and reading["at"] == "DLC" for reading in readings)


def test_ohms_are_not_offered_the_state_of_a_powered_reading() -> None:
    """A resistance after voltages asks for ignition and battery anew, with the caution about ohms."""
    answers = {
        **VEHICLE,
        **NETWORK,
        "readings[0]": "voltage",
        "readings[0].ignition": "on",
        "readings[0].value": "2.5",
        "readings[1]": "resistance",
    }
    question = go_to(begin(), "readings[1].ignition", answers).question
    assert question.default is None
    assert "battery disconnected" in question.notes[0]


def test_a_lin_bus_is_asked_about_its_own_line_only() -> None:
    """LIN has one signal line (ISO 17987-4): CAN lines are not offered for it."""
    answers = {**VEHICLE, "networks": "LIN", "readings[0]": "voltage"}
    words = go_to(begin(), "readings[0].pair", answers).question.words
    assert words == ("LIN to ground", "LIN to battery +", "other leads")


def test_what_a_scope_showed_is_told_line_by_line() -> None:
    """Levels are typed in the order of the lines; a dash stands for a line not seen."""
    answers = {
        **VEHICLE,
        **NETWORK,
        "readings[0]": "waveform",
        "readings[0].traffic": "y",
        "readings[0].recessive": "2.5; 2.4",
        "readings[0].dominant": "-; 1.5",
        "readings[0].looks": "ring, noise",
        "keep": "yes",
    }
    interview = begin()
    hold(interview, answers)
    assert plain_data(interview.case())["readings"][0]["waveform"] == {
        "traffic": "yes",
        "recessive": {"CAN high": "2.5 V", "CAN low": "2.4 V"},
        "dominant": {"CAN low": "1.5 V"},
        "looks": ["ringing", "noise"],
    }


def test_a_job_without_a_cause_stays_open() -> None:
    """Enter at the cause skips the repair; with no day of ending the job is open."""
    interview = begin()
    asked = hold(interview, {**VEHICLE, "concern": "no crank", "keep": "yes"})
    assert not [key for key in asked if key.startswith(("fix", "verification", "leftover"))]
    assert status_of(interview.case()) is Status.OPEN


def test_a_scan_report_is_shown_before_it_is_kept() -> None:
    """Each code found has a number; a number typed leaves that code out."""
    report = "BCM U0121-00 confirmed\nECM P0562 pending\nEPS no response"
    interview = go_to(begin(), "scan.right", {**VEHICLE, "scan.report": report})
    notes = interview.question.notes
    assert notes[0].startswith("1. BCM: U0121-00")
    assert notes[1].startswith("2. ECM: P0562")
    assert notes[2] == "No answer from: EPS"
    interview.answer("1")
    assert [entry["code"] for entry in interview.data["codes"]] == ["P0562"]


def test_a_code_that_the_report_lacks_is_added_where_the_codes_are_shown() -> None:
    """Nothing found is lost by adding one."""
    interview = go_to(begin(), "scan.right", JOB)
    interview.answer("ECM U0155 pending")
    assert [entry["code"] for entry in interview.data["codes"]] == ["U0121-00", "U0155"]


def test_modules_the_scan_calls_silent_are_offered() -> None:
    """Nothing is typed twice: Enter takes the silent modules over, and those that store codes as answering."""
    interview = begin()
    hold(interview, {**JOB, "concern": "dead"})
    answers = {module.name: module.answers for module in interview.case().modules}
    assert answers == {"EPS": Answers.NO, "BCM": Answers.YES}


def test_back_offers_the_answer_gone_over() -> None:
    """Going back and on again with Enter changes nothing."""
    interview = go_to(begin(), "concern", {**VEHICLE, "vehicle.more": "2019"})
    interview.back()
    interview.back()
    assert (interview.question.key, interview.question.default) == ("vehicle.model", "Skarn")
    interview.answer("")
    interview.answer("")
    assert interview.data["vehicle"] == {"make": "Norrvik", "model": "Skarn", "model_year": "2019"}


def test_a_dash_empties_what_is_offered() -> None:
    """An answer given by mistake can be taken away."""
    interview = go_to(begin(), "concern", {**VEHICLE, "vehicle.more": "2019"})
    interview.back()
    interview.answer("-")
    assert "model_year" not in interview.data["vehicle"]


def test_a_part_is_mended_without_answering_the_rest_again() -> None:
    """From the review back to the vehicle, one answer changed, then forward to the review."""
    interview = go_to(begin(), "keep", JOB)
    before = plain_data(interview.case())
    interview.back("vehicle")
    interview.answer("Nordmark")
    assert interview.forward() > 18
    assert interview.question.key == "keep"
    assert plain_data(interview.case()) == {**before, "vehicle": {"make": "Nordmark", "model": "Skarn"}}


def test_there_is_nothing_before_the_first_question() -> None:
    """Going back from the first question, or to a part not reached, is refused."""
    interview = begin()
    with pytest.raises(InputError, match="first question"):
        interview.back()
    with pytest.raises(InputError, match="not been asked yet"):
        interview.back("cause")


@pytest.mark.parametrize("key", ["vehicle.model", "scan.right", "readings[1]", "fix", "keep"])
def test_a_draft_goes_on_where_it_was_left(key: str) -> None:
    """The answers saved lead to the same question and the same record."""
    interview = go_to(begin(), key, JOB)
    resumed = Interview.from_state(json.loads(json.dumps(interview.state())), TODAY)
    assert (resumed.question.key, resumed.data, resumed.misfits) == (key, interview.data, 0)


def test_a_draft_of_an_older_order_is_not_misread() -> None:
    """An answer whose question comes elsewhere now is offered there, and never taken for another question's."""
    state = go_to(begin(), "concern", {**VEHICLE, "vehicle.more": "K2"}).state()
    state["given"] = [["vehicle.model", "Skarn"], ["vehicle.make", "Norrvik"], ["vehicle.doors", "5"]]
    resumed = Interview.from_state(state, TODAY)
    assert resumed.misfits == 3
    assert (resumed.question.key, resumed.question.default, resumed.given) == ("vehicle.make", "Norrvik", [])
    resumed.answer("")
    assert resumed.question.default == "Skarn"


def test_the_day_of_ending_is_the_day_of_finishing() -> None:
    """A draft begun on Monday and finished on Tuesday offers Monday as opened, Tuesday as ended."""
    state = go_to(begin(), "fix", JOB).state()
    resumed = Interview.from_state(state, date(2026, 3, 3))
    hold(resumed, JOB)
    provenance = resumed.case().provenance
    assert (provenance.opened, provenance.ended) == (TODAY, date(2026, 3, 3))


@pytest.mark.parametrize(
    ("key", "typed", "kept"),
    [
        ("cause.where", "splice; chafing", {"mechanism": "chafing"}),
        ("cause.where", "splice; clip had let go of it", {"mechanism_text": "clip had let go of it"}),
    ],
)
def test_what_brought_it_about_may_be_told_in_words(key: str, typed: str, kept: dict[str, str]) -> None:
    """A word of the list, or a sentence where the list ends."""
    interview = begin()
    hold(interview, {**JOB, key: typed})
    cause = plain_data(interview.case())["cause"]
    assert {name: text for name, text in cause.items() if name.startswith("mechanism")} == kept


def test_a_scan_afterwards_may_be_told_as_behaviour() -> None:
    """It is kept as such, and is no clean scan."""
    interview = begin()
    hold(interview, {**JOB, "verification": "starts at once and no lamps"})
    shown = plain_data(interview.case())["verification"]
    assert (shown.get("rescan"), shown["behaviour"]) == (None, "starts at once and no lamps")


def test_a_known_good_vehicle_says_why_it_is_normal() -> None:
    """Asked after its readings."""
    interview = begin(kind=Kind.KNOWN_GOOD)
    hold(interview, {**JOB, "why_normal": "quiet until asked"})
    assert interview.case().why_normal == "quiet until asked"


def test_current_is_asked_for_with_its_unit() -> None:
    """35 could be ampere or milliampere: refused, not guessed."""
    answers = {
        **VEHICLE,
        "concern": "battery flat",
        "readings[0]": "current",
        "readings[0].line": "battery -",
    }
    interview = go_to(begin(), "readings[0].value", answers)
    with pytest.raises(InputError, match="has no unit"):
        interview.answer("35")
    interview.answer("35 mA")
    assert interview.data["readings"][0]["value"] == "35 mA"


def test_a_known_good_vehicle_is_asked_for_readings_only() -> None:
    """No complaint, no cause, no repair; the readings are what it is kept for."""
    interview = begin(kind=Kind.KNOWN_GOOD)
    asked = hold(
        interview,
        {
            **JOB,
        },
    )
    assert not [key for key in asked if key.startswith(("concern", "cause", "fix", "tried"))]
    assert interview.case().kind is Kind.KNOWN_GOOD


def test_an_open_job_is_gone_on_with_from_its_readings() -> None:
    """What the open record holds stays; by Enter only what comes after it is asked."""
    first = begin()
    hold(first, {**JOB, "cause.fault": ""})
    opened = plain_data(first.case())
    second = begin(case=opened, case_id="7k3m9q2x")
    asked = hold(second, {**JOB, "tried": ""})
    assert "vehicle.make" not in asked
    case = second.case()
    assert (case.concern, case.codes) == (first.case().concern, first.case().codes)
    assert status_of(case) is Status.FIXED_VERIFIED
    assert len(case.steps) == 1


def test_anything_can_be_added_to_an_open_job() -> None:
    """Codes of a second scan, a module that fell silent since, a lamp, the platform: what was there stays."""
    first = begin()
    hold(first, {**JOB, "cause.fault": ""})
    second = begin(case=plain_data(first.case()), case_id="7k3m9q2x")
    added = {
        "parts": "vehicle, concern, networks, scan, modules",
        "vehicle.more": "2019, K2",
        "seen": "airbag lamp",
        "networks": "LIN called door LIN",
        "scan.report": "SRS U0140 pending",
        "modules": "BCM, TCM at times",
        "keep": "yes",
    }
    asked = hold(second, added)
    case = second.case()
    assert not [key for key in asked if key.startswith(("readings", "cause", "tried"))]
    assert case.vehicle.platform == "K2"
    assert [str(lamp) for lamp in case.lamps] == ["engine", "anti-lock brake system", "airbag"]
    assert [network.name for network in case.networks] == ["powertrain CAN", "door LIN"]
    assert [entry.code.text for entry in case.codes] == ["U0121-00", "U0140"]
    answers = {module.name: str(module.answers) for module in case.modules}
    assert answers == {"EPS": "no", "BCM": "no", "TCM": "intermittent", "SRS": "yes"}
    assert case.readings == first.case().readings


def test_a_cause_that_the_list_lacks_is_told_in_words() -> None:
    """It is kept in the note; the record does not count as proven until a word of the list is chosen."""
    interview = begin()
    hold(interview, {**JOB, "cause.fault": "other: heater plug wired to the bus"})
    case = interview.case()
    assert (case.cause, case.note) == (None, "Cause, in words: heater plug wired to the bus")
    assert status_of(case) is Status.FIXED_NOT_PROVEN


def test_who_wrote_it_is_typed_alone_where_the_rest_is_right() -> None:
    """Shop and days stay as they were offered; that a job has not ended is said."""
    for typed, ended in (("ingrid", TODAY), ("ingrid; not ended", None)):
        interview = begin()
        hold(interview, {**JOB, "provenance": typed})
        written = interview.case().provenance
        assert (written.author, written.shop, written.opened) == ("ingrid", "Quay Street Garage", TODAY)
        assert written.ended == ended


def test_known_names_are_written_as_the_library_has_them() -> None:
    """One make stays one make, and an odometer without a unit is in the unit that the library uses."""
    known = Known({"Norrvik": ["Skarn"]}, {"Norrvik": ["K2"]}, ["ABS"], "mi")
    interview = Interview(Beginning(TODAY), TODAY, known)
    assert interview.question.known == ("Norrvik",)
    for text in ("norrvik", "skarn", "188000, k2"):
        interview.answer(text)
    assert interview.data["vehicle"] == {
        "make": "Norrvik",
        "model": "Skarn",
        "odometer": "188000 mi",
        "platform": "K2",
    }


def test_brakes_concerned_means_a_caution_before_the_road_test() -> None:
    """With EPS silent and the repair not yet proven the road test is asked with the caution."""
    question = go_to(begin(), "verification", JOB).question
    assert any("Brakes or steering" in note for note in question.notes)


def test_a_high_voltage_vehicle_means_a_caution_before_the_first_reading() -> None:
    """A hybrid with the airbag module silent: both cautions stand before anything is measured."""
    answers = {**JOB, "vehicle.more": "hybrid", "modules": "SRS"}
    notes = go_to(begin(), "readings[0]", answers).question.notes
    assert [note.split(":")[0] for note in notes[:2]] == ["High-voltage vehicle", "Restraint systems"]


def test_every_question_takes_an_answer() -> None:
    """A job in which every single question is answered; each answer arrives in the record."""
    interview = begin()
    asked = hold(interview, EVERYTHING)
    assert set(asked) == set(EVERYTHING)
    data = plain_data(interview.case())
    assert data["networks"][0] == {
        "name": "body CAN",
        "medium": "fault-tolerant low-speed CAN",
        "bit_rate": "125 kbit/s",
        "reached": "behind a gateway",
        "gateway": "GWM",
        "terminators_in": ["BCM", "splice S204"],
    }
    assert "codes" not in data
    assert [module["answers"] for module in data["modules"]] == ["no", "no", "intermittent", "yes"]
    assert data["readings"][0] == {
        "network": "body CAN",
        "quantity": "voltage",
        "line": "supply",
        "against": "ground",
        "at": "connector of BCM",
        "ignition": "running",
        "unplugged": ["ABS", "EPS"],
        "stage": "isolation",
        "value": "11.8 V",
    }
    assert data["readings"][1]["waveform"]["looks"] == ["slow edges"]
    assert (data["readings"][3]["stage"], data["readings"][3]["value"]) == ("after repair", "0.3 V")
    assert data["trials"] == [{"did": "swapped", "what": ["TCM"], "used_part": "yes", "outcome": "no change"}]
    assert data["steps"] == [{"did": "load test", "found": "1 V drop", "minutes": 15.0}]
    assert data["cause"] == {
        "fault": "connector_corrosion",
        "network": "body CAN",
        "where": {"place": "connector", "text": "C12 of BCM"},
        "module": "BCM",
        "mechanism": "water",
        "proof": "drop gone with the terminal cleaned",
    }
    assert data["fix"]["parts"] == [{"name": "terminal", "cost": "2.00 EUR"}]
    assert data["verification"] == {
        "codes_cleared": "yes",
        "rescan": "clean",
        "road_test": "12 km",
        "days_without_return": 3,
        "came_back": "no",
    }
    assert data["provenance"] == {
        "author": "day.tech",
        "shop": "Quay Street Garage",
        "opened": "2026-03-01",
        "ended": "2026-03-02",
    }


def test_a_record_that_does_not_fit_cannot_be_kept() -> None:
    """An empty case is refused at the review with the reason, and can be mended from there."""
    interview = go_to(begin(), "keep", VEHICLE)
    with pytest.raises(InputError, match="an empty case"):
        interview.answer("yes")
    interview.back("concern")
    interview.answer("no crank")
    interview.forward()
    interview.answer("yes")
    assert interview.case().concern == "no crank"


def test_a_draft_is_named_by_its_vehicle() -> None:
    """The line to choose a draft by tells the vehicle and how far it has come."""
    assert state_line(begin().state()) == "vehicle not named yet, 0 answers"
    assert state_line(go_to(begin(), "concern", VEHICLE).state()) == "Norrvik Skarn, 3 answers"


TYPED = st.one_of(
    st.text(max_size=20),
    st.sampled_from(
        ["", "-", "1", "2", "3", "y", "no", "hi", "60.2", "2.5 V", "U0121-00", "ABS", "2026-03-01", "all"]
    ),
)


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.lists(TYPED, max_size=60))
def test_nothing_typed_breaks_the_interview(lines: list[str]) -> None:
    """Whatever is typed is taken or refused with a sentence; the draft then leads to the same place."""
    interview = begin()
    for line in ["Norrvik", "Skarn", *lines]:
        if interview.question is None:
            break
        with suppress(InputError):
            interview.answer(line)
    resumed = Interview.from_state(json.loads(json.dumps(interview.state())), TODAY)
    assert (resumed.data, resumed.given) == (interview.data, interview.given)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(JSON, JSON, JSON)
def test_a_draft_of_anything_is_taken_up_or_refused(
    beginning: object, answers: object, remembered: object
) -> None:
    """A draft file edited or damaged in a way that is still JSON gives a sentence, no breakdown."""
    state = {"format": 1, "beginning": beginning, "given": answers, "remembered": remembered}
    state_line(state)
    for whole in (state, {**state, "beginning": begin().beginning.as_data()}):
        with suppress(InputError):
            assert Interview.from_state(whole, TODAY).question
