"""Whether all modules that are not named answer, or none: how people say it."""

import pytest

from casebase.intake.plain_words.as_record import record_of, understood_data
from casebase.intake.plain_words.message import understood_from


def others(message):
    """Return what is said of all others, None where nothing is."""
    return record_of(understood_from(message)).get("others_answer")


@pytest.mark.parametrize(
    "message",
    [
        "ABS silent, everything else answers",
        "60 ohm at dlc, all modules listed ok except park assist",
        "no comms with TCM, rest is fine",
        "only the ABS does not respond",
        "All other modules communicate, EPS doesn't",
        "all modules talk",
        "everything online but the airbag",
        "ABS module not responding, every other box does.",
        "all except the ABS answer",
        "all but EPB talk",
        "ABS dead; rest of the car is fine",
    ],
)
def test_all_others_answer(message):
    """Beside one that is silent, or as it stands."""
    assert others(message) == "yes"


@pytest.mark.parametrize(
    "message",
    [
        "nothing answers on the scanner",
        "no communication with any module",
        "scanner finds nobody",
        "none of the modules respond",
        "can't talk to anything",
        "all modules offline, 60 ohm",
        "no comms to any ecu",
        "every module dead",
        "the whole bus is down",
        "the other modules don't answer either",
    ],
)
def test_nobody_answers(message):
    """The whole network is gone."""
    assert others(message) == "no"


@pytest.mark.parametrize(
    "message",
    [
        "if everything else answers then swap ABS",
        "60 ohm, 2.6 and 2.4",
        "the rest 60 ohm",
        "lights ok everything else is fine",
        "ECM answers, ABS silent",
        "not all modules answer",
        "nothing found",
        "unplugged ABS, nothing changed",
    ],
)
def test_what_says_nothing_of_all_others(message):
    """A condition, a value, one module, or that nothing was found."""
    assert others(message) is None


def test_it_is_told_as_it_was_understood():
    """With the words it came from."""
    understood = understood_from("ABS silent, everything else answers")
    assert understood_data(understood)["others"] == ["yes"]
    assert [item.phrase for item in understood.of("others")] == ["everything else answers"]
