"""What a record leaves unsaid and its own words tell, and that it is said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from casebase import places
from casebase.bus.explain import evidence_rows
from casebase.match.meaning import meanings_of
from casebase.record.case import Case
from casebase.record.checks import remarks_on
from casebase.record.inference import fault_readings, taken_as, with_networks
from casebase.record.json_form import canonical_json, stored_case
from casebase.record.modules import module_key, modules_named_in
from casebase.record.reading import Reading, place_kind
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium

JOB = {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}, "concern": "no drive"}
POWERTRAIN = {
    "name": "powertrain CAN",
    "medium": "high-speed CAN",
    "reached": "directly",
    "terminators_in": "ECM",
}
COMFORT = {"name": "comfort CAN", "medium": "high-speed CAN", "reached": "behind a gateway"}
DOOR = {"name": "door LIN", "medium": "LIN"}


def job(*readings: dict[str, Any], **keys: Any) -> Case:
    """Return a job with volts read."""
    whole = [{"quantity": "voltage", "against": "ground", "value": "2.5 V"} | reading for reading in readings]
    return Case.model_validate(JOB | {"readings": whole} | keys)


@pytest.mark.parametrize(
    ("line", "medium"),
    [
        ("CAN high", Medium.HIGH_SPEED_CAN),
        ("LIN", Medium.LIN),
        ("bus plus", Medium.FLEXRAY),
        ("K-line", Medium.K_LINE),
        ("CAN single wire", Medium.SINGLE_WIRE_CAN),
    ],
)
def test_a_line_tells_its_network(line: str, medium: Medium) -> None:
    """The lines of each medium are its own (ISO 11898-2, ISO 17987-4, ISO 17458-4, ISO 9141-2, SAE J2411)."""
    left_out = job({"line": line})
    (network,) = with_networks(left_out).networks
    assert network.medium is medium
    (sentence,) = taken_as(left_out)
    assert sentence.startswith(f"Network not stated: taken as {medium}, for {line} was read")
    assert sentence in remarks_on(left_out)


def test_suspect_parameters_make_the_pair_a_j1939() -> None:
    """SPN and FMI are the codes of SAE J1939-73."""
    truck = job({"line": "CAN high"}, codes=[{"code": "SPN 639 FMI 9"}])
    assert [network.medium for network in with_networks(truck).networks] == [Medium.J1939]


def test_lines_of_two_media_are_two_networks() -> None:
    """Each reading is of the one whose line it names."""
    both = with_networks(job({"line": "CAN high"}, {"line": "LIN", "at": "connector of door module"}))
    assert [reading.network for reading in both.readings] == ["the high-speed CAN", "the LIN"]


def test_with_the_network_left_out_the_readings_still_mean_something() -> None:
    """119 ohm across the pair: one terminator is missing, whatever nobody typed."""
    ohms = {
        "quantity": "resistance",
        "line": "CAN high",
        "against": "CAN low",
        "battery": "disconnected",
        "value": "119 ohm",
    }
    (meaning,) = meanings_of(job(ohms), places.simulation_folder(), most_tests=0, rough=True)
    assert meaning.diagnosis.ranked()[0][0] == "terminator_missing"


OHMS = {
    "quantity": "resistance",
    "line": "CAN high",
    "against": "CAN low",
    "battery": "disconnected",
    "unplugged": "nothing",
    "value": "3 ohm",
}
ON_ABS = {"networks": [POWERTRAIN | {"terminators_in": ["ECM", "BCM"]}], "modules": [{"name": "ABS"}]}


@pytest.mark.parametrize(
    ("trial", "least", "most"),
    [
        ({"did": "unplugged", "what": "ABS", "outcome": "restored"}, 0.5, 1.0),
        ({"did": "swapped", "what": "ABS", "outcome": "gone"}, 0.5, 1.0),
        ({"did": "swapped", "what": "ABS", "outcome": "no change"}, 0.0, 0.05),
        ({"did": "unplugged", "what": ["ABS", "EPS"], "outcome": "no change"}, 0.0, 0.05),
    ],
)
def test_what_followed_a_trial_tells_where_a_short_lies(
    trial: dict[str, Any], least: float, most: float
) -> None:
    """3 ohm across the pair, and the network runs with the ABS off: the short is in it; or it is not."""
    (meaning,) = meanings_of(
        job(OHMS, trials=[trial], **ON_ABS), places.simulation_folder(), most_tests=0, rough=True
    )
    found = meaning.diagnosis
    role = found.bank.model.unpluggable.index(found.roles.of("ABS") or "")
    assert least <= float(found.posterior.weights[found.posterior.hosts == role].sum()) <= most


def test_a_trial_is_named_among_what_the_readings_say() -> None:
    """With what was done to which module, so that nobody wonders where it comes from."""
    trial = {"did": "swapped", "what": "ABS", "outcome": "no change"}
    (meaning,) = meanings_of(
        job(OHMS, {"line": "CAN high", "ignition": "on", "traffic": "yes"}, trials=[trial], **ON_ABS),
        places.simulation_folder(),
        most_tests=0,
        rough=True,
    )
    assert "fault unchanged with ABS swapped" in [row.reading for row in evidence_rows(meaning.diagnosis)]


@pytest.mark.parametrize(
    "trial",
    [
        {"did": "swapped", "what": "ABS", "used_part": "yes", "outcome": "no change"},
        {"did": "replaced", "what": "ABS", "configured": "no", "outcome": "no change"},
        {"did": "unplugged", "what": ["ABS", "EPS"], "outcome": "gone"},
        {"did": "unplugged", "what": "ABS", "outcome": "came back"},
        {"did": "wiggled", "what": "ABS", "outcome": "gone"},
        {"did": "unplugged", "what": "the grey box", "outcome": "gone"},
        {"did": "unplugged", "what": "ABS"},
    ],
)
def test_a_trial_that_leaves_it_open_is_no_reading(trial: dict[str, Any]) -> None:
    """A used part may be bad too; of two modules at once nobody knows which; a box without a name is nowhere."""
    case = job(OHMS, trials=[trial], **ON_ABS)
    assert fault_readings(case, case.networks[0]) == []


def test_a_module_of_another_network_tells_nothing_of_this_one() -> None:
    """The radio on the comfort network was swapped."""
    case = job(
        OHMS,
        networks=[POWERTRAIN, COMFORT],
        modules=[{"name": "radio", "network": "comfort CAN"}],
        trials=[{"did": "swapped", "what": "radio", "outcome": "no change"}],
    )
    assert [len(fault_readings(case, network)) for network in case.networks] == [0, 1]


def test_of_several_networks_the_line_picks_one() -> None:
    """Only the LIN has a LIN line."""
    case = job({"line": "LIN", "at": "connector of door module"}, networks=[POWERTRAIN, DOOR])
    assert with_networks(case).readings[0].network == "door LIN"
    assert taken_as(case) == [
        "Reading 1, LIN to ground at connector of door module: taken as of door LIN, the only one with LIN."
    ]


@pytest.mark.parametrize(
    ("at", "why"),
    [
        ("DLC", "the only one that the DLC reaches directly"),
        ("connector of ABS", "which the module at connector of ABS is on"),
        ("ECM plug", "whose terminator is at ECM plug"),
    ],
)
def test_of_two_alike_the_place_picks_one(at: str, why: str) -> None:
    """A plug is of the network that its module is on."""
    case = job(
        {"line": "CAN high", "at": at},
        networks=[POWERTRAIN, COMFORT],
        modules=[{"name": "ABS", "network": "powertrain CAN"}],
    )
    assert with_networks(case).readings[0].network == "powertrain CAN"
    assert taken_as(case)[0].endswith(f"taken as of powertrain CAN, {why}.")


def test_what_nothing_tells_stays_open_and_is_remarked_upon() -> None:
    """A splice may be of either network: nothing is guessed."""
    case = job({"line": "CAN high", "at": "splice S204"}, networks=[POWERTRAIN, COMFORT])
    assert with_networks(case) == case
    assert "readings[0]: network not stated although the record lists 2" in remarks_on(case)


@pytest.mark.slow
@given(
    st.lists(st.sampled_from(Line), max_size=4),
    st.lists(st.sampled_from([POWERTRAIN, COMFORT, DOOR]), max_size=3, unique_by=lambda one: one["name"]),
)
def test_inferring_twice_infers_nothing_more(lines: list[Line], networks: list[dict[str, Any]]) -> None:
    """And a reading is never put on a network that lacks its line."""
    case = job(*({"line": line, "against": None} for line in lines), networks=networks)
    filled = with_networks(case)
    assert with_networks(filled) == filled
    for before, reading in zip(case.readings, filled.readings, strict=True):
        if reading.network != before.network:
            assert reading.line in LINES_OF_MEDIUM[filled.network_of(reading.network).medium]


@pytest.mark.parametrize(
    ("typed", "pins"),
    [
        ("9-pin", None),
        ("9 pin connector", None),
        ("16-pin DLC", None),
        ("OBD port", None),
        ("OBD-II", None),
        ("OBD2 connector", None),
        ("data link connector", None),
        ("diagnostic plug", None),
        ("DLC pin 1", "1"),
        ("DLC pins 6 and 14", "6 and 14"),
        ("dlc 6/14", "6/14"),
        ("pins 6 and 14 of the DLC", "6 and 14"),
        ("9-pin connector pins C and D", "C and D"),
    ],
)
def test_the_dlc_goes_by_many_names(typed: str, pins: str | None) -> None:
    """Cars have 16 pins (ISO 15031-3), trucks 9 (SAE J1939-13); pins named with it are kept."""
    reading = Reading.model_validate({"quantity": "voltage", "line": "CAN high", "value": 2.5, "at": typed})
    assert (reading.at, reading.pins) == ("DLC", pins)


def test_a_record_kept_by_an_older_casebase_stays_as_it_is_kept() -> None:
    """Its SHA-256 is of the text; what it calls the DLC is the DLC all the same."""
    (reading,) = job({"line": "CAN high"}).readings
    old = reading.model_copy(update={"at": "OBD port"})
    text = canonical_json(job().model_copy(update={"readings": [old]}))
    kept = stored_case(text)
    assert canonical_json(kept) == text
    assert place_kind(kept.readings[0].at) == "DLC"


@pytest.mark.parametrize(
    "typed", ["16-pin plug of ABS", "connector of ABS", "OBD splitter box", "C204 pin 6", "9-pin body plug"]
)
def test_another_plug_is_no_dlc(typed: str) -> None:
    """A name that only begins alike stays what it is."""
    reading = Reading.model_validate({"quantity": "voltage", "line": "CAN high", "value": 2.5, "at": typed})
    assert reading.at == typed


@pytest.mark.parametrize(
    ("name", "key"),
    [
        ("GW", "gateway"),
        ("IC", "instrument cluster"),
        ("EMS", "engine control"),
        ("BDM", "body control"),
        ("VMU", "hybrid control"),
        ("ASU", "restraints"),
        ("FRR", "front radar"),
        ("TBM", "telematics"),
        ("T-Box", "telematics"),
        ("GW module", "gateway"),
    ],
)
def test_short_names_of_modules_are_known_where_they_stand_alone(name: str, key: str) -> None:
    """The trade's abbreviations (common practice, no source)."""
    assert module_key(name) == key


def test_a_short_name_within_a_text_may_mean_another_thing() -> None:
    """An IC on a board is no instrument cluster."""
    assert modules_named_in("the driver IC was burnt, GW") == []
