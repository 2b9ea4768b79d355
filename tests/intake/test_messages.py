"""Messages in plain words, all invented; what a person reads in them was written before their reader.

Pins of the diagnostic connectors: ISO 15031-3, ISO 15765-4 and SAE J1939-13 (from memory).
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebase.intake.plain_words.as_record import (
    answered,
    item_words,
    questions_on,
    record_of,
    understood_data,
)
from casebase.intake.plain_words.mended import mended
from casebase.intake.plain_words.message import Understood, understood_from
from casebase.intake.plain_words.report_lines import read_pasted
from casebase.intake.plain_words.written import LONGEST_MESSAGE, written
from casebase.record.loading import case_from_data

sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from asking_in_words import VEHICLES, scores
from message_scores import messages


def readings_of(text: str) -> list[str]:
    """Return the readings of a message in words."""
    return [item_words(item) for item in understood_from(text).of("readings")]


def told(understood: Understood, kind: str) -> list[str]:
    """Return the items of a kind in words."""
    return [item_words(item) for item in understood.of(kind)]


@pytest.mark.slow
def test_two_thirds_of_the_messages_are_understood_as_a_person_does() -> None:
    """What is taken is right, and little is missed; a wrong reading costs more than one left in the story."""
    counts = scores("first", "second")

    assert counts["readings"].precision >= 0.98
    assert counts["readings"].recall >= 0.92
    assert (counts["codes"].precision, counts["codes"].recall) == (1.0, 1.0)
    assert counts["silent"].precision >= 0.96
    assert counts["answers"].precision == counts["lamps"].precision == counts["vehicle"].precision == 1.0


@pytest.mark.slow
def test_what_is_taken_of_later_messages_is_right() -> None:
    """Of the messages asked once before the reader was changed, little of what is taken now is wrong."""
    counts = scores("third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth", "eleventh")

    assert counts["readings"].precision >= 0.97
    assert counts["codes"].precision >= 0.98
    assert counts["silent"].precision == counts["answers"].precision == 1.0


@pytest.mark.parametrize(
    "text",
    [
        "60 mph on the motorway and 2000 rpm",
        "12 year old car, 120 k miles, 88 000 km",
        "fuse 15 A, wheel bolts 120 Nm, tyres 2.4 bar, battery 75 Ah",
        "part 71X 204 118 for 412,50 EUR, order 88123",
        "invoice of 14/03/2025, 09:12, paid $350",
        "3rd visit, 2 keys, 4 mm of pad left",
        "205/55 R16 tyres, MOT 11/25",
        "at 95 degrees after 20 minutes",
        "500 kbit/s on the bus",
        "Havik 2017, TCM silent",
        "meter on the 200 ohm range",
        "diesel, 74k, second owner",
        "blower switched to 4",
        "wheel speed sensor front left 1.1k, rear left 1.2k",
        "trans fluid 2.4 low, topped up 1.5",
        "fuse 14 is 0.3 ohm and fuse 6 is open",
        "Bus load resistor test: with a 120 across 6 and 14 all normal again",
        "low pressure switch 2.4 V, high pressure sensor 2.6 V",
    ],
)
def test_numbers_of_other_things_are_no_readings(text: str) -> None:
    """A date, a price, a mileage, a part number, a torque stays in the story."""
    assert readings_of(text) == []


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("pin 6 to 14 is 60", "CAN high to CAN low at DLC: 60 ohm"),
        ("H 2.6 L 2.4", "CAN high to ground at DLC: 2.6 V"),
        ("sixty ohms between six and fourteen", "CAN high to CAN low at DLC: 60 ohm"),
        ("2,49 V on high", "CAN high to ground at DLC: 2.49 V"),
        ("low to ground one point two kilo ohm", "CAN low to ground at DLC: 1.2 kohm"),
        ("6-14: OL", "CAN high to CAN low at DLC: OL"),
        ("6 to 4 is 4k7", "CAN high to ground at DLC: 4.7 kohm"),
        ("C to D 61 ohm", "CAN high to CAN low at DLC: 61 ohm"),
        ("more than 10 megohm from low to chassis", "CAN low to ground at DLC: over 10 Mohm"),
        (
            "60 ohm 6 to 14, drops to 120 when shaken",
            "CAN high to CAN low at DLC: 60 ohm; 120 ohm when shaken",
        ),
        ("battery off 60 ohm", "CAN high to CAN low at DLC: 60 ohm (ignition off, battery disconnected)"),
        ("key on 2.6 V on high", "CAN high to ground at DLC: 2.6 V (ignition on)"),
        ("with ABS unplugged 60 ohm", "CAN high to CAN low at DLC: 60 ohm (ABS unplugged)"),
        ("12.1V at the amp", "supply to ground at connector of amp: 12.1 V"),
        ("ABS ground to battery minus 1.8V", "ground to battery - at connector of ABS: 1.8 V"),
        ("K line stays at 11.9 volts", "K-line to ground at DLC: 11.9 V"),
        ("FlexRay, 47 ohm between BP and BM", "bus plus to bus minus at a place not named: 47 ohm"),
        ("LIN wire 0.8 V", "LIN to ground at a place not named: 0.8 V"),
        (
            "60.1 ohm with the battery lead lifted",
            "CAN high to CAN low at DLC: 60.1 ohm (ignition off, battery disconnected)",
        ),
        (
            "isolator off, C to D 61 ohm",
            "CAN high to CAN low at DLC: 61 ohm (ignition off, battery disconnected)",
        ),
        ("14 to earth 2.45", "CAN low to ground at DLC: 2.45 V"),
        ("pin 6 - 2,54V", "CAN high to ground at DLC: 2.54 V"),
        ("CAN H = 2'65 V", "CAN high to ground at DLC: 2.65 V"),
        ("half an ohm between 6 and 14", "CAN high to CAN low at DLC: 0.5 ohm"),
        ("6 = 2.58", "CAN high to ground at DLC: 2.58 V"),
        (
            "with the isolator open, 62 ohms C to D",
            "CAN high to CAN low at DLC: 62 ohm (ignition off, battery disconnected)",
        ),
        ("each wire to ground 2.5 V", "CAN high to ground at DLC: 2.5 V"),
        ("61 ohms between net H and net L", "CAN high to CAN low at DLC: 61 ohm"),
        ("I get 75.2", "CAN high to CAN low at DLC: 75.2 ohm"),
        ("C-D 60 ohm, on D I have 2.2 volt", "CAN high to CAN low at DLC: 60 ohm"),
        ("TCM is dead. It has power (12.6 V)", "supply to ground at connector of TCM: 12.6 V"),
        ("can hi at tcm plug 2.6", "CAN high to ground at connector of tcm: 2.6 V"),
        ("the pair gives one nineteen point four", "CAN high to CAN low at DLC: 119.4 ohm"),
        ("pins C and D: 2.6 and 2.4", "CAN high to ground at DLC: 2.6 V"),
        ("6 and 14 are 2.7 and 2.3", "CAN high to ground at DLC: 2.7 V"),
        ("CAN H and CAN L are at 3.5 and 1.5", "CAN high to ground at DLC: 3.5 V"),
        ("two six and two four, key on", "CAN high to ground at DLC: 2.6 V (ignition on)"),
        ("60 ohm, 2.6, 2.4", "CAN high to CAN low at DLC: 60 ohm"),
        ("red on 6, black on 14: 60", "CAN high to CAN low at DLC: 60 ohm"),
        ("probe on 6 and black on 4 - two point six", "CAN high to ground at DLC: 2.6 V"),
        ("low against earth is a dead short, 0.3 ohm", "CAN low to ground at DLC: 0.3 ohm"),
        (
            "took the cluster out and it went to 119",
            "CAN high to CAN low at DLC: 119 ohm (cluster unplugged)",
        ),
        (
            "the resistance at the ABS plug is 120 and at the DLC it is 60",
            "CAN high to CAN low at connector of ABS: 120 ohm",
        ),
        (
            "60.6 with the neg off",
            "CAN high to CAN low at DLC: 60.6 ohm (ignition off, battery disconnected)",
        ),
        ("CANH=2.61V CANL=2.39V R=59.8", "CAN high to ground at DLC: 2.61 V"),
        ("pin C to pin D at the green connector: 61", "CAN high to CAN low at DLC: 61 ohm"),
        ("without the tracker 60, with it 43", "CAN high to CAN low at DLC: 60 ohm (tracker unplugged)"),
        ("six to ground point four of an ohm", "CAN high to ground at DLC: 0.4 ohm"),
        ("power at the ABS: 12.4, ground 0.02", "supply to ground at connector of ABS: 12.4 V"),
    ],
)
def test_a_reading_is_taken_with_its_lines_its_unit_and_its_state(text: str, reading: str) -> None:
    """Pins, words for numbers, commas, k and M, limits and states are read as the trade writes them."""
    assert readings_of(text)[0] == reading


@pytest.mark.parametrize(
    ("text", "silent"),
    [
        ("ABS ECU has gone quiet", ["ABS ECU"]),
        ("the power steering is not on the network", ["power steering"]),
        ("TCM fails to communicate, EPB refuses to answer", ["TCM", "EPB"]),
        ("handbrake module doesnt come up", ["handbrake module"]),
        ("BCM refuses to talk and so does the immobiliser", ["BCM", "immobiliser"]),
        ("scanner sees engine and ABS but not the BCM", ["BCM"]),
        ("nothing answers, not even the engine", ["engine"]),
        ("header controller drops off the bus", ["header controller"]),
        ("the rear right window module is missing", ["rear right window module"]),
        ("swapped the ABS but not the TCM", []),
        ("the new module is silent, the dead module too", []),
        ("U0121 in ABS disappears after a while", []),
        ("ABS lamp does not come on", []),
        ("TCM not available until Monday", []),
        ("nobody in the ring hears the yaw sensor", ["yaw sensor"]),
        ("the transfer case still refuses to come online", ["transfer case"]),
        ("engine computer itself: not there", ["engine computer"]),
        ("ABS = U0126; EPS = none, does not connect", ["EPS"]),
        ("BCM OK | RADIO FAIL | HVAC FAIL", ["RADIO", "HVAC"]),
        ("ECM \u2713, TCM \u2713, ABS \u2717", ["ABS"]),
        ("ECM yes, ABS no, EPS no", ["ABS", "EPS"]),
        ("scanner times out on TCM", ["TCM"]),
        ("half the modules are down: ABS, EPS", ["ABS", "EPS"]),
        ("LIN to the rain light sensor. The sensor does not answer", ["rain light sensor"]),
        ("the TCM fails the smoke test, ABS ok", []),
        ("no door module answers", ["door module"]),
        ("60 ohms and still no talk with the EPS", ["EPS"]),
        ("cluster lights are down", []),
        ("tested the ABS. It is dead simple to replace", []),
    ],
)
def test_a_silent_module_is_told_in_many_words(text: str, silent: list[str]) -> None:
    """Only what is said of talking counts; a module that no table knows is named by its last word."""
    assert told(understood_from(text), "silent") == silent


@pytest.mark.parametrize(
    ("text", "answers"),
    [
        ("scanner sees engine and ABS but not the BCM", ["engine", "ABS"]),
        ("scan: ECM pass, BMS found", ["ECM", "BMS"]),
        ("the radio makes no sound but it talks to the tester", ["radio"]),
        ("bench tested the ECM, passed", []),
        ("water in ABS found", []),
        ("the ABS was dead this morning. It answers again now", ["ABS"]),
        ("TCM feed was open, mended that. It talks now", ["TCM"]),
        ("I'm able to talk to BCM and IPC", ["BCM", "IPC"]),
        ("the only module that talks is the gateway", ["gateway"]),
        ("I see the BCM is wet", []),
    ],
)
def test_an_answering_module_is_told_by_what_the_tester_sees(text: str, answers: list[str]) -> None:
    """A module that was found wet or passed a bench test has not answered."""
    assert told(understood_from(text), "answers") == answers


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("Engine is logging SPN 639 FMI 14", ["SPN 639 FMI 14 in Engine"]),
        ("U0164 set by: BCM, IPC", ["U0164 in BCM", "U0164 in IPC"]),
        ("U0126 stands in the ESC and in the EPS", ["U0126 in ESC", "U0126 in EPS"]),
        ("gateway flags U0140, the engine U0155", ["U0140 in gateway", "U0155 in engine"]),
        ("in the clocks is U0121", ["U0121 in clocks"]),
        ("SPN 639 FMI 9 (engine)", ["SPN 639 FMI 9 in engine"]),
        ("code u zero one three one dash zero zero in the BCM", ["U0131-00 in BCM"]),
        ("codes U1123, B1342. U1123 in radio, B1342 in BCM", ["U1123 in radio", "B1342 in BCM"]),
        ("ECM and retarder both store SPN 639 FMI 9", ["SPN 639 FMI 9 in ECM", "SPN 639 FMI 9 in retarder"]),
        (
            "engine 2 faults (U0121, P0571), cluster 1 fault U0131",
            ["U0121 in engine", "P0571 in engine", "U0131 in cluster"],
        ),
        ("there would be U0121 everywhere", []),
        ("U0140 pops up in the IPC and in the ECM", ["U0140 in IPC", "U0140 in ECM"]),
        ("engine broadcasts SPN 639 FMI 12", ["SPN 639 FMI 12 in engine"]),
        ("U0155 (cluster) x3 modules: ECM TCM BCM", ["U0155 in ECM", "U0155 in TCM", "U0155 in BCM"]),
        ("ECM: 2 codes, U0101 and U0121", ["U0101 in ECM", "U0121 in ECM"]),
        ("in the ECM I find U0121", ["U0121 in ECM"]),
        ("code in the engine U0101", ["U0101 in engine"]),
        ("ECM ok 0 codes, EPB ok U0121", ["U0121 in EPB"]),
        ("no comms with ABS. there is U0121", ["U0121"]),
        ("U0121 (ABS)", ["U0121"]),
    ],
)
def test_a_code_is_of_the_module_named_before_or_behind_it(text: str, codes: list[str]) -> None:
    """What a code is about does not store it; a code only thought of is none."""
    assert told(understood_from(text), "codes") == codes


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("119 ohm 6 to 14, C0050 in ABS", "CAN high to CAN low at DLC: 119 ohm"),
        ("119 ohm 6 to 14 at C217", "CAN high to CAN low at C217: 119 ohm"),
    ],
)
def test_a_code_of_the_chassis_is_no_connector(text: str, reading: str) -> None:
    """C and four digits are a code (SAE J2012), C and three the number of a connector on a diagram."""
    assert readings_of(text) == [reading]


def test_who_holds_a_code_is_not_in_the_list_of_the_silent() -> None:
    """A code was read from the ECM, so it answers; the comma ends what is said of the code."""
    assert told(understood_from("U0140 in ECM, BCM silent"), "silent") == ["BCM"]
    assert told(understood_from("U0101 from ECM and ABS, TCM and EPS silent"), "silent") == ["TCM", "EPS"]
    assert told(understood_from("ECM, BCM silent"), "silent") == ["ECM", "BCM"]


@pytest.mark.parametrize(
    "text",
    [
        "\x1b[1;31m119 ohm\x1b[0m 6 to 14",  # ECMA-48, 5.4: a control sequence ends with a letter
        "\x9b31m119 ohm 6 to 14",
        "119 ohm 6 to 14 \x1b]0;13 V\x07",  # ECMA-48, 8.3.89: an operating system command and its terminator
        "\x1b]8;;http://a.example/12\x1b\\119 ohm\x1b]8;;\x1b\\ 6 to 14",
    ],
)
def test_orders_to_a_terminal_hold_no_readings(text: str) -> None:
    """A page copied out of a coloured terminal: the figures of a colour are no volts and no ohms."""
    assert [item.phrase for item in understood_from(text).of("readings")] == ["119 ohm 6 to 14"]


def test_negations_are_no_findings() -> None:
    """What is not so is told apart, and no code of it is kept."""
    understood = understood_from("No U0100. Not shorted to ground, lines not shorted together. U0121 in ABS")

    assert told(understood, "codes") == ["U0121 in ABS"]
    assert told(understood, "not") == ["U0100", "Not shorted to ground", "not shorted together"]
    assert not understood.of("readings")


def test_each_piece_shows_the_words_it_came_from() -> None:
    """Nothing is taken without its phrase; what was taken as usual says so."""
    understood = understood_from("sixty ohms, no comms with TCM")
    data = understood_data(understood)

    assert data["readings"][0]["phrase"] == "sixty ohms"
    assert data["readings"][0]["taken_as_usual"] == ["60 taken as ohms between CAN high and CAN low"]
    assert understood.of("silent")[0].phrase == "no comms with TCM"


@pytest.mark.parametrize(
    ("text", "reading", "phrase"),
    [
        ("H 2.4, no wait, 2.6 not 2.4", "CAN high to ground at DLC: 2.6 V", "H 2.4, no wait, 2.6 not 2.4"),
        ("pair 120 ohm. Sorry, 60 ohm", "CAN high to CAN low at DLC: 60 ohm", "pair 120 ohm. Sorry, 60 ohm"),
        ("not 120 but 60 ohm across", "CAN high to CAN low at DLC: 60 ohm", "not 120 but 60 ohm across"),
        ("low is 0.4 V, make that 4.8", "CAN low to ground at DLC: 4.8 V", "low is 0.4 V, make that 4.8"),
    ],
)
def test_what_was_taken_back_counts_no_more(text: str, reading: str, phrase: str) -> None:
    """The number said last stands; the phrase shows both."""
    told = understood_from(text).of("readings")
    assert [item_words(item) for item in told] == [reading]
    assert told[0].phrase == phrase


def test_a_module_or_a_code_taken_back_counts_no_more() -> None:
    """The name said last is the one meant, and so is the code."""
    understood = understood_from("no comms with the radio, sorry, the amplifier. U0101, I mean U0100 in ECM")
    assert told(understood, "silent") == ["amplifier"]
    assert told(understood, "codes") == ["U0100 in ECM"]


def test_another_line_behind_a_word_of_regret_takes_nothing_back() -> None:
    """Sorry may only bring the next reading; the first stands where the line is another."""
    assert len(readings_of("high is 2.4 V, sorry, low is 2.6 V")) == 2


@pytest.mark.parametrize(
    ("text", "module"),
    [
        ("no comunication with the tranmission module", "transmission module"),
        ("instrment clustr not answering", "instrument cluster"),
        ("the gatewya is dead", "gateway"),
    ],
)
def test_modules_are_known_misspelt(text: str, module: str) -> None:
    """A letter left out, added, changed or swapped hides no module; the phrase stays as it was typed."""
    understood = understood_from(text)
    assert told(understood, "silent") == [module]
    assert understood.of("silent")[0].phrase in text


def test_words_of_their_own_are_not_respelled() -> None:
    """A battery that was charged is no charger, and a wider gap no wiper."""
    text = "charged, wider, heather, trainer, regular, breaks, connected"
    assert mended(written(text)).text == text


@pytest.mark.parametrize(
    ("text", "trial"),
    [
        ("Swapped the TCM. No change. 60 ohm", "swapped TCM: no change"),
        ("unplugged the ABS. Network came straight back.", "unplugged ABS: restored"),
        ("replaced the BCM with a used one. Still no comms with TCM", "replaced BCM (used part): no change"),
        ("fitted a new gateway yesterday for 640 euro, no change", "replaced gateway (new part): no change"),
    ],
)
def test_what_followed_may_be_told_in_a_sentence_of_its_own(text: str, trial: str) -> None:
    """What was done and what followed are one trial; when and for how much is no part of it."""
    assert told(understood_from(text), "trials") == [trial]


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("a tractor on 24.8 volts, C-D 60", 1),
        ("wiring H and L to the DLC 0.2 ohm each", 0),
        ("tested 60 ohm last month, now 118 across 6 and 14", 1),
        ("hvac hangs on the second one and both are off line", 0),
    ],
)
def test_what_is_of_no_line_or_another_day_is_no_reading(text: str, readings: int) -> None:
    """Better left in the story than taken for a short."""
    assert len(readings_of(text)) == readings


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("6 to 14 is one hundred and nineteen and a half ohms", "CAN high to CAN low at DLC: 119.5 ohm"),
        ("LIN 0.2 V on a 12.6 V battery", "battery + to ground at battery: 12.6 V"),
        ("B plus 12.2 at the bcm", "supply to ground at connector of bcm: 12.2 V"),
        (
            "can low to ground 0.4 ohm. unplugged ECM: 2.3k",
            "CAN low to ground at DLC: 2.3 kohm (ECM unplugged)",
        ),
        (
            "supply at ABS 12.1 V with a 21 W bulb",
            "supply to ground at connector of ABS: 12.1 V (under load)",
        ),
        ("CAN is fine, 60 ohm and 2.6 / 2.4. The LIN 0.2 V", "CAN low to ground at DLC: 2.4 V"),
        ("CANH=2.62 CANL=2.38 R=60.3", "CAN high to CAN low at DLC: 60.3 ohm"),
        ("LIN to ground 0.02 V", "LIN to ground at a place not named: 0.02 V"),
        ("LIN 1: 11.9 V, LIN 2: 0.1 V", "LIN to ground at a place not named: 0.1 V"),
        ("K line to ground 0.2 volts, to battery plus 12.1", "K-line to battery + at DLC: 12.1 V"),
        ("CAN high 2.5 and so is CAN low", "CAN low to ground at DLC: 2.5 V"),
        ("I've got battery voltage on both wires, 12.5", "CAN low to ground at DLC: 12.5 V"),
        ("2.62 (6) and 2.39 (14)", "CAN low to ground at DLC: 2.39 V"),
        ("Pin  Volts\n6    2.7\n14   2.3", "CAN low to ground at DLC: 2.3 V"),
        (
            "Voltage H to L on the meter, ignition on, is 30 mV",
            "CAN high to CAN low at DLC: 30 mV (ignition on)",
        ),
        ("H-L 60. H-G 2.5 V. L-G 2.4 V.", "CAN low to ground at DLC: 2.4 V"),
        ("with ECM in: 121", "CAN high to CAN low at DLC: 121 ohm"),
        (
            "60,2 Ohm between the both CAN wires, battery minus is away",
            "CAN high to CAN low at DLC: 60.2 ohm (ignition off, battery disconnected)",
        ),
        (
            "the twisted pair at the PCM plug, plug off, 118.7 ohms across",
            "CAN high to CAN low at connector of PCM: 118.7 ohm (PCM unplugged)",
        ),
    ],
)
def test_readings_as_they_are_told_in_passing(text: str, reading: str) -> None:
    """Halves, the battery behind its volts, a plug behind its pole, the same wire again, two networks."""
    assert reading in readings_of(text)


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("gateway U0100, U0101 and U0140", ["U0100 in gateway", "U0101 in gateway", "U0140 in gateway"]),
        ("U0140 from three modules: ECM, ABS", ["U0140 in ECM", "U0140 in ABS"]),
        ("U0121 still in ECM and TCM", ["U0121 in ECM", "U0121 in TCM"]),
        ("the engine computer sets u zero one zero one", ["U0101 in engine computer"]),
        ("no comms with the TCM, engine control stores U0101", ["U0101 in engine control"]),
    ],
)
def test_codes_are_of_the_module_that_tells_them(text: str, codes: list[str]) -> None:
    """In front of a list, behind words between, dictated."""
    assert told(understood_from(text), "codes") == codes


@pytest.mark.parametrize(
    "text",
    [
        "should be 60 ohm between 6 and 14",
        "the manual wants 2.5 V on pin 6",
        "the good one next door reads 60 across the pair",
        "soldered a 120 ohm resistor between CAN H and CAN L",
        "it is split, two 60 ohm resistors in series with a capacitor to ground",
        "the bus wants a termination resistor (60 ohms)",
        "do you have 60 ohm between high and low?",
        "No idea. 120 ohms?",
        "coolant sensor 2.5 kohm, wheel speed sensor 1.1k",
        "remote battery 2.9 V on one and 3.1 on the other",
        "two 120 ohm in parallel make 60",
        "module on the bench: 118 ohm between its pins",
        "gateway plug off, pins side: 59.1 ohm",
        "CAN high wire from the DLC to the ABS 0.3 ohm",
        "never got more than 45 ohm between 6 and 14",
        "a bus needs 120 ohm at each end, which makes an impedance of 60 ohm",
        "240 ohm will work just as well",
        "any reason to use 240 ohm?",
        "the pair already has 120 ohm terminals",
        "there is a 120 ohm resistor on the board. It measures 121 ohm, fine",
        "they have a resistor between the lines, usually 120 ohm",
        "it seems that the normal range is (high: 3.5 V, low: 1.1 V)",
        "CAN H (>= 2.5 V)",
        "disconnecting the 12V battery reset everything",
        "high is 1.2 volts below the low",
        "BCM lifts the CAN high by 2 V",
        "X to ground 2.5",
        "pin 6: 2.5 on the module side",
        "if 6 is 2.5 and 14 is 2.5 then it is fine",
        "4 of them at 2.5, 6 at 2.4",
        "pins 6 and 7 of the trailer plug 60 ohm",
        "tyres: 2.4, 2.6",
        "with the key on it read 5.03 V at the rx pin",
        "heater fuse: replaced, has approx. 2 ohms to its terminal",
        "60 ohm connected across two pins of the plug",
        "dealer said the bus has 60 ohm",
        "all of these answered on bus 0, both of them at once",
        "brown black brown, 100 ohm, that's for the fuel sender",
        "the resistor in the gateway was 118 ohm, in the cluster 121 ohm",
        "two 60 ohm in there",
        "500 kbit/s with 120R at each end",
        "the meter says 9.2 ohm with the leads together",
        "12 V test lamp lights on pin 16",
        "ground on 13 and 38",
    ],
)
def test_what_nobody_read_on_this_bus_is_no_reading(text: str) -> None:
    """Values that should be, parts, another vehicle, questions, sensors, a bench: common practice, no source."""
    assert readings_of(text) == []


@pytest.mark.parametrize(
    ("text", "readings"),
    [
        ("need 60, got 122", ["CAN high to CAN low at DLC: 122 ohm"]),
        ("should be 60 ohm but it's 40", ["CAN high to CAN low at DLC: 40 ohm"]),
        ("the good one reads 60.3 across the pair, mine reads 41", ["CAN high to CAN low at DLC: 41 ohm"]),
        ("6-14 60 ohm as it should be", ["CAN high to CAN low at DLC: 60 ohm"]),
        ("it wasn't 60 between 6 and 14, it was 92", ["CAN high to CAN low at DLC: 92 ohm"]),
        ("61omh on can-h and can-l", ["CAN high to CAN low at DLC: 61 ohm"]),
        ("Pin 6 2.7 V. Same on 14.", ["CAN high to ground at DLC: 2.7 V", "CAN low to ground at DLC: 2.7 V"]),
        ("H 1.2 V, L ditto", ["CAN high to ground at DLC: 1.2 V", "CAN low to ground at DLC: 1.2 V"]),
        (
            "CANH0->GND and CANL0->GND OL in both cases, unpowered",
            [
                "CAN high to ground at DLC: OL (ignition off, battery disconnected)",
                "CAN low to ground at DLC: OL (ignition off, battery disconnected)",
            ],
        ),
        (
            "if I unplug the BCM it goes from 60 to 120",
            ["CAN high to CAN low at DLC: 60 ohm", "CAN high to CAN low at DLC: 120 ohm (BCM unplugged)"],
        ),
        ("LIN wire at the wiper motor 0.3 V", ["LIN to ground at connector of wiper motor: 0.3 V"]),
        (
            "airbag module dead, B+ at its plug 12.3",
            ["supply to ground at connector of airbag module: 12.3 V"],
        ),
        (
            "the NOx sensor is dead, at the sensor plug: H 2.5 L 2.4",
            [
                "CAN high to ground at connector of NOx sensor: 2.5 V",
                "CAN low to ground at connector of NOx sensor: 2.4 V",
            ],
        ),
        (
            "both H/L show 2.25 voltage",
            ["CAN high to ground at DLC: 2.25 V", "CAN low to ground at DLC: 2.25 V"],
        ),
        (
            "hi 2.5 lo 2.5 60 ohm",
            [
                "CAN high to ground at DLC: 2.5 V",
                "CAN low to ground at DLC: 2.5 V",
                "CAN high to CAN low at DLC: 60 ohm",
            ],
        ),
        ("h-gnd 4.1k", ["CAN high to ground at DLC: 4.1 kohm"]),
        ("l-gnd 4.2k", ["CAN low to ground at DLC: 4.2 kohm"]),
        (
            "6 to ground 11.8 V, same 14",
            ["CAN high to ground at DLC: 11.8 V", "CAN low to ground at DLC: 11.8 V"],
        ),
        ("without the radio plugged in 60 ohm", ["CAN high to CAN low at DLC: 60 ohm (radio unplugged)"]),
        ("Airbag module has 12.6 at the plug", ["supply to ground at connector of Airbag module: 12.6 V"]),
        (
            "H and L at the ABS connector 119, at the ECM connector 118",
            [
                "CAN high to CAN low at connector of ABS: 119 ohm",
                "CAN high to CAN low at connector of ECM: 118 ohm",
            ],
        ),
        ("black on 4 and red on 6, 3.1k", ["CAN high to ground at DLC: 3.1 kohm"]),
        ("when it faults 6 to 14 is 12 ohms", ["CAN high to CAN low at DLC: 12 ohm"]),
        (
            "CAN A 60 ohm, CAN B 45 ohm",
            ["CAN high to CAN low at DLC on CAN A: 60 ohm", "CAN high to CAN low at DLC on CAN B: 45 ohm"],
        ),
        ("I checked CAN high, 2.6 volts", ["CAN high to ground at DLC: 2.6 V"]),
        ("12.5 at pin 16 and ground on 4 and 5 is good", ["supply to ground at DLC: 12.5 V"]),
        ("6=2.51, 14=2.49", ["CAN high to ground at DLC: 2.51 V", "CAN low to ground at DLC: 2.49 V"]),
        ("voltage of the k-line drops to approx. 7V", ["K-line to ground at DLC: 7 V"]),
    ],
)
def test_what_was_read_instead_is_taken(text: str, readings: list[str]) -> None:
    """Behind what should be, and in the words people use for it."""
    assert readings_of(text) == readings


def test_networks_of_two_names_are_kept_apart() -> None:
    """Two values of two networks are no contradiction, and the record lists both networks."""
    understood = understood_from("on comfort can I get open circuit, on drive can 60 ohms")

    assert told(understood, "readings") == [
        "CAN high to CAN low at DLC on comfort can: open",
        "CAN high to CAN low at DLC on drive can: 60 ohm",
    ]
    case = case_from_data(record_of(understood), "a job")
    assert [reading.network for reading in case.readings] == ["comfort can", "drive can"]


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("U0100, 0121 and 0155 in BCM", ["U0100 in BCM", "U0121 in BCM", "U0155 in BCM"]),
        ("code u oh one hundred stored in the a b s", ["U0100 in ABS"]),
        ("u one two one from the dash", ["U0121 in dash"]),
        ("U0121 pending and U0121 stored, both in the ECM", ["U0121 in ECM"]),
        ("U0129 again after clearing, set in ECM with key on", ["U0129 in ECM"]),
        ("ECM and TCM log U0121", ["U0121 in ECM", "U0121 in TCM"]),
        ("the car's ECU shows a U0140 error", ["U0140 in engine ECU"]),
        ("Code: U0415 Control unit: Engine control unit", ["U0415 in Engine control unit"]),
        ("BCM says U0140?? no, the ECM says U0140", ["U0140 in ECM"]),
        ("IPC complains about BCM (U0140)", ["U0140 in IPC"]),
        ("From the TCM I read U0100, from the ECM U0140", ["U0100 in TCM", "U0140 in ECM"]),
        ("ECM reports lost comms with ABS, U0121", ["U0121 in ECM"]),
        ("U0073 everywhere: ECM and TCM all have it", ["U0073 in ECM", "U0073 in TCM"]),
        ("there are two faults in the TCM, namely U0100 and U0073", ["U0100 in TCM", "U0073 in TCM"]),
        ("Code found: U0121. Found in: ECM, TCM.", ["U0121 in ECM", "U0121 in TCM"]),
        ("ECM's codes are U0121 and U0129", ["U0121 in ECM", "U0129 in ECM"]),
        ("U0001-88 bus off, in ECM and TCM", ["U0001-88 in ECM", "U0001-88 in TCM"]),
        ("P0562 low voltage in ECM and C1A00 in ABS", ["P0562 in ECM", "C1A00 in ABS"]),
        ("ABS lamp and U0121", ["U0121"]),
        ("U0121 / ECM, U0121 / BCM", ["U0121 in ECM", "U0121 in BCM"]),
        ("Module EPB found, it has U0121", ["U0121 in EPB"]),
        ("after unplugging the BCM I got U0140", ["U0140"]),
        (
            "U-0100 in IPC, code you zero four one six from the transmission",
            ["U0100 in IPC", "U0416 in transmission"],
        ),
        ("cleared U0101 in ECM, came back", ["U0101 in ECM"]),
        ("U0101 gone after clearing", []),
        ("had a U0101 last week, now U0121 in ECM", ["U0121 in ECM"]),
        ("ECM logged: U0101, U0121; TCM: U0100", ["U0101 in ECM", "U0121 in ECM", "U0100 in TCM"]),
    ],
)
def test_codes_as_they_are_told_in_prose(text: str, codes: list[str]) -> None:
    """By half, digit by digit, twice, far from the module that stores them."""
    assert told(understood_from(text), "codes") == codes


@pytest.mark.parametrize(
    ("text", "silent", "answers"),
    [
        ("U0164 in the BCM which is lost communication with HVAC", [], []),
        ("not finding the ABS ECU, finds the ECM and the dash", ["ABS ECU"], ["ECM", "dash"]),
        ("ABS I have, SRS I have, gearbox not", ["gearbox"], ["ABS", "SRS"]),
        ("neither the radio nor the amplifier talk", ["radio", "amplifier"], []),
        ("everything but the ABS responds", ["ABS"], []),
        ("no response from BCM, TCM responds", ["BCM"], ["TCM"]),
        ("U0100 stored in the ABS and in the EPS, engine computer is not answering", ["engine computer"], []),
        ("if I unplug the ABS the TCM answers", [], []),
        ("lost comms w/ SCR, rain sensor no comm", ["SCR", "rain sensor"], []),
        ("EPS: nothing. The gearbox computer says nothing", ["EPS", "gearbox computer"], []),
        ("TCM drops out, then ABS", ["TCM", "ABS"], []),
        ("Airbag module has 12.6 at the plug and good ground but no answer", ["Airbag module"], []),
        ("ABS ECU and airbag ECU do not", ["ABS ECU", "airbag ECU"], []),
        ("communication with the ABS not possible", ["ABS"], []),
        ("everything talks, just not the airbag module", ["airbag module"], []),
        ("all but the ABS respond to the tester", ["ABS"], []),
        ("ABS: nothing. TCM: fine.", ["ABS"], ["TCM"]),
        ("OK: ECM, TCM. Not OK: ABS.", ["ABS"], ["ECM", "TCM"]),
        ("I get a reply from the ECM but none from the ABS", ["ABS"], ["ECM"]),
        ("Not one of ABS, EPS responds", ["ABS", "EPS"], []),
        ("the tester shows 'no answer' for EPB and TPMS", ["EPB", "TPMS"], []),
        ("ABS has fallen silent, the SAS with it", ["ABS", "SAS"], []),
        ("the scan tool finds no ABS and no EPS", ["ABS", "EPS"], []),
        ("SRS - ok / ABS - ok / EPS - none", ["EPS"], ["SRS", "ABS"]),
        ("The BCM lost communication with the EPS, code U0131", [], []),
        ("code U0155: ECM yes, BCM yes, TCM no", [], []),
        ("radio doesn't wake up, HVAC does", ["radio"], ["HVAC"]),
        ("rear wiper dead, LIN at 11.8 V", [], []),
        ("gearbox went into limp, engine lost power, brakes ok", [], []),
        ("the ABS has a 120 ohm inside, the radio doesn't", [], []),
        ("TCM replies only after a battery reset", [], []),
        ("U0415 in ECM and TCM; ABS answers", [], ["ABS"]),
        ("the trailer ABS doesn't come up", ["trailer ABS"], []),
        ("every module is online except the ABS", ["ABS"], []),
        ("all answer but the EPS", ["EPS"], []),
        ("it does not automatically find the ABS ECU. I find the rest", ["ABS ECU"], []),
        ("ABS won't come up and neither will the EPS", ["ABS", "EPS"], []),
        ("EPS not on the list, SAS either", ["EPS", "SAS"], []),
        ("TCM has power and ground, but no comms", ["TCM"], []),
        ("the steering angle sensor is on the list but won't open", ["steering angle sensor"], []),
        ("replacing the TCM does nothing for it, ECM: nothing stored, checked ABS: nothing found", [], []),
        ("tailgate won't open, cluster doesn't show the fuel level", [], []),
    ],
)
def test_silent_and_answering_by_many_verbs(text: str, silent: list[str], answers: list[str]) -> None:
    """A verb of silence speaks of the modules of its list; what a code's own text says is nobody's finding."""
    understood = understood_from(text)

    assert (told(understood, "silent"), told(understood, "answers")) == (silent, answers)


@pytest.mark.parametrize(
    ("text", "lamps"),
    [
        ("Tire Pressure Indicator turned on", ["tyre pressure"]),
        ("VDC Off, Traction Loss, ABS lights", ["electronic stability control", "anti-lock brake system"]),
        (
            "airbag, ABS, hand brake and steering lights",
            ["airbag", "anti-lock brake system", "parking brake", "steering"],
        ),
        ("changed the brake light switch", []),
        ("ABS lamp went out", []),
    ],
)
def test_lamps_stand_in_lists_before_one_word(text: str, lamps: list[str]) -> None:
    """By everyday names; a lamp that went out, and a switch, are none."""
    assert told(understood_from(text), "lamps") == lamps


def test_cranking_is_of_its_own_sentence_alone() -> None:
    """Nobody reads a bus while cranking because the battery was read so."""
    assert readings_of("H 2.6 L 2.4. 9.8 V at the battery while cranking")[0].endswith("2.6 V")


@pytest.mark.slow
@settings(max_examples=200, deadline=None)
@given(st.text(alphabet="abc 0,.\u2019six one-", max_size=60), st.data())
def test_a_form_that_was_edited_leads_back_too(text: str, data: st.DataObject) -> None:
    """Whatever is replaced, each place of the form stands for a place of the message, in order."""
    message = written(text)
    start = data.draw(st.integers(0, len(message.text)))
    end = data.draw(st.integers(start, len(message.text)))
    edited = message.edited([(start, end, "instead")])
    assert edited.text == message.text[:start] + "instead" + message.text[end:]
    places = [edited.origin_of_end(place) for place in range(len(edited.text) + 1)]
    assert places == sorted(places)
    assert places[0] == 0
    assert places[-1] <= len(text)


def test_what_was_not_understood_is_the_story() -> None:
    """The rest is kept in the words of the person."""
    story = understood_from("60 ohm 6 to 14. Customer hit a deer last winter. ABS lamp on").story
    assert story == "Customer hit a deer last winter"


def test_at_most_two_questions_and_only_where_the_answer_depends_on_them() -> None:
    """0 V may be a bus asleep: whether the key was on is asked; 2.6 V is none."""
    assert [one.about for one in questions_on(understood_from("H 0.1 V L 4.8 V"))] == ["network", "key"]
    assert questions_on(understood_from("H 2.6 L 2.4, 60 ohm")) == []
    assert questions_on(understood_from("key on H 0 V, L 0 V")) == []


def test_an_answer_to_a_question_goes_into_the_readings() -> None:
    """What the person says then is kept as said."""
    understood = answered(understood_from("H 0 V, L 0 V"), "key", "on")
    assert told(understood, "readings")[0] == "CAN high to ground at DLC: 0 V (ignition on)"
    assert questions_on(understood) == []


def test_lines_of_a_scan_report_are_read_as_one() -> None:
    """A report pasted into a message is read by the reader of reports, the rest as words."""
    understood = understood_from(
        "ECM - Engine\n  U0121-00 Lost communication with ABS\nABS - no response\n6-14 120 ohm"
    )

    assert told(understood, "codes") == ["U0121-00 in ECM - Engine"]
    assert told(understood, "silent") == ["ABS"]
    assert told(understood, "readings") == ["CAN high to CAN low at DLC: 120 ohm"]


@pytest.mark.parametrize(
    ("text", "codes", "silent"),
    [
        ("U0101 from ECM and ABS, no comms with TCM", [("ECM", "U0101"), ("ABS", "U0101")], ["TCM"]),
        ("gateway has U0140-87 and U0164-87", [("gateway", "U0140-87"), ("gateway", "U0164-87")], []),
        ("ABS\n  U0100 pending\nEPS - no response", [("ABS", "U0100")], ["EPS"]),
    ],
)
def test_a_pasted_scan_may_be_written_in_words(
    text: str, codes: list[tuple[str, str]], silent: list[str]
) -> None:
    """One reader stands behind a message, the codes of the form, the interview and casebase codes."""
    report = read_pasted(text)
    assert [(one.module, one.code.text) for one in report.findings] == codes
    assert report.silent_modules == silent


def test_the_year_beside_a_reading_is_none() -> None:
    """A number that can be a year, without a unit, is never ohms."""
    assert readings_of("Havik 2017, 119 ohm 6 to 14") == ["CAN high to CAN low at DLC: 119 ohm"]


def test_vehicles_that_the_library_knows_are_found_in_it() -> None:
    """Make, model and year beside each other; a model of one make tells the make."""
    understood = understood_from("2017 Havik, 60 ohm", VEHICLES)
    assert understood.of("vehicle")[0].data == {"make": "Norrvik", "model": "Havik", "model_year": 2017}


PIECES = st.sampled_from(
    [
        *(
            "60",
            "2.6",
            "ohm",
            "V",
            "k",
            "OL",
            "open",
            "6",
            "14",
            "pin",
            "to",
            "and",
            "H",
            "L",
            "high",
            "low",
            "ground",
        ),
        *(
            "ABS",
            "TCM",
            "U0101",
            "SPN 639 FMI 9",
            "no comms with",
            "silent",
            "except",
            "unplugged",
            "swapped",
            "key on",
        ),
        *(
            "battery off",
            "LIN",
            "FlexRay",
            "J1939",
            ",",
            ".",
            "\n",
            "?",
            "not shorted",
            "two point",
            "hundred",
            "a",
            "-",
        ),
        *(
            "plug of the",
            "between",
            "across",
            "both",
            "when shaken",
            "then",
            "no change",
            "scope",
            "flat",
            "C",
            "D",
            "'",
        ),
    ]
)


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(st.one_of(st.text(max_size=200), st.lists(PIECES, max_size=40).map(" ".join)))
def test_any_text_gives_a_record_that_fits(text: str) -> None:
    """No message makes the reader raise, and what it understood is a whole record."""
    understood = understood_from(text, VEHICLES)
    if understood.has_evidence:
        case_from_data(record_of(understood), "the message")
    for item in understood.items:
        item_words(item)
    assert len(questions_on(understood)) <= 2


@given(st.text(max_size=300))
def test_the_form_that_rules_read_leads_back_to_what_was_typed(text: str) -> None:
    """Every clause shows words that stand in the message."""
    message = written(text)
    for clause in message.clauses():
        assert message.phrase(clause.start, clause.end) in " ".join(text.split())


@pytest.mark.slow
def test_a_message_that_is_too_long_says_so() -> None:
    """What stands behind is kept as story, and is not read."""
    understood = understood_from("no news. " * (LONGEST_MESSAGE // 9 + 1) + "no comms with TCM")
    assert understood.is_cut
    assert not understood.of("silent")


@pytest.mark.slow
def test_every_message_becomes_a_record() -> None:
    """All messages but those of words alone can be asked with."""
    for entry in messages("first", "second", "third"):
        understood = understood_from(entry["text"], VEHICLES)
        if understood.has_evidence:
            case_from_data(record_of(understood), "the message")
