"""A message typed into the site's box: evidence leads to the job and its link, words alone to a search."""

from __future__ import annotations

from urllib.parse import parse_qsl, quote_plus, urlsplit

import pytest

from casebase.intake.plain_words.message import understood_from
from casebase.record.reading import Reading
from casebase.site.asked_in_words import pairs_of
from casebase.site.job_link import job_from_query

MESSAGE = (
    "119 ohm 6 to 14, key on H 2.6 L 2.4, U0101 from ECM and ABS, no comms with TCM, swapped TCM no change"
)


def led_to(ask, said: str, **more: str) -> str:
    """Return the address that a message leads to."""
    extra = "".join(f"&{name}={text}" for name, text in more.items())
    answer = ask(f"/ask?say={quote_plus(said)}{extra}")
    assert answer.status_code == 302
    return str(answer.headers["location"])


@pytest.fixture(scope="module")
def ask(asking, frozen_demo):
    """Pages of the demonstration."""
    return asking(frozen_demo)


@pytest.mark.slow
def test_evidence_leads_to_the_job(ask):
    """The link is the job: every entry stands in it as if it had been typed into the form."""
    address = led_to(ask, MESSAGE)
    pairs = dict(parse_qsl(urlsplit(address).query))

    assert urlsplit(address).path == "/job"
    assert (pairs["r1.what"], pairs["r1.value"], pairs["r1.state"]) == ("ohm-pair", "119 ohm", "unknown")
    assert (pairs["r2.what"], pairs["r2.value"], pairs["r2.state"]) == ("volt-high", "2.6 V", "on")
    assert (pairs["silent"], pairs["tried"]) == ("TCM", "swapped TCM: no change")
    assert pairs["_said"] == MESSAGE


@pytest.mark.slow
def test_the_job_shows_what_was_understood_with_its_words(ask):
    """Each entry stands beside the phrase it came from, and the form holds it to be changed."""
    page = ask(led_to(ask, MESSAGE)).text

    assert "Understood from your words" in page
    assert "<q>119 ohm 6 to 14</q>" in page
    assert 'value="119 ohm"' in page
    assert "entry was" not in page


@pytest.mark.slow
def test_words_alone_are_searched_for(ask):
    """Full text first, then stories that mean much the same; the words found are marked."""
    address = led_to(ask, "water in the connector")
    assert urlsplit(address).path == "/search"
    assert "<mark>" in ask(address).text


@pytest.mark.slow
def test_a_long_text_without_evidence_leads_to_a_link_that_a_browser_takes(ask):
    """Browsers end a response whose head is over 256 kB (from memory); the form shows how much of it was taken."""
    address = led_to(ask, "grinding noise " * 4_000)

    assert len(address) < 16_000
    assert "grinding noise" in ask(address).text


def test_cases_that_only_mean_the_same_are_found_as_well(ask):
    """No record holds all of these words; cases of such a story are offered, and said to be so."""
    page = ask("/search?q=steering+suddenly+gets+hard+to+turn+and+speedometer+quits").text
    assert "mean much the same" in page


def test_a_code_alone_leads_to_its_page(ask):
    """Nobody asks for past cases by a code alone: what it says is offered first."""
    assert led_to(ask, "U0121") == "/search?q=U0121"


@pytest.mark.slow
def test_what_the_answer_depends_on_is_asked_and_answered_by_a_link(ask):
    """0 V may be a bus asleep; the answer to the question goes into the link, and is not asked again."""
    page = ask(led_to(ask, "H 0 V, L 0 V, U0100 in ABS")).text
    assert "Was the key on while the volts were read?" in page

    address = led_to(ask, "H 0 V, L 0 V, U0100 in ABS", key="on")
    assert dict(parse_qsl(urlsplit(address).query))["r1.state"] == "on"
    assert "Was the key on" not in ask(address).text


def test_nothing_typed_leads_to_the_form(ask):
    """An empty box is no question."""
    assert led_to(ask, " ") == "/job"


@pytest.mark.parametrize(
    "said",
    [
        MESSAGE,
        "LIN 0.8 V, battery 12.4 V, unplugged the rain sensor, no change",
        "FlexRay, 47 ohm between BP and BM at the gateway plug",
        "J1939 C to D 61 ohm, SPN 639 FMI 9 from engine",
        "with ABS unplugged 60 ohm, battery off",
        "CAN 60 ohm, H 2.6 L 2.4. The LIN of the wiper motor 0.2 V, battery 9.8 V while cranking",
    ],
)
def test_the_link_tells_the_job_that_was_understood(said):
    """What the link is read as has the same readings, codes and modules as the message."""
    understood = understood_from(said)
    asked = job_from_query(pairs_of(understood))

    assert asked.problems == []
    assert asked.case is not None
    wanted = [Reading.model_validate(item.data) for item in understood.of("readings")]
    assert [(one.quantity, one.line, str(one.value), one.unplugged) for one in asked.case.readings] == [
        (one.quantity, one.line, str(one.value), one.unplugged) for one in wanted
    ]
    assert len(asked.case.codes) == len(understood.of("codes"))
    assert asked.case.silent_modules() == [item.data for item in understood.of("silent")]


def test_a_reading_that_the_form_has_no_row_for_goes_into_the_words():
    """Nothing understood is lost on the way to the link."""
    asked = job_from_query(pairs_of(understood_from("5V reference 0.3V, U0100 in ABS")))
    assert asked.case is not None
    assert asked.case.concern == "5V reference 0.3V"


def test_each_network_keeps_its_readings_in_the_link():
    """A dead low-speed CAN behind a sound high-speed CAN, and a LIN: each reading stands on its own network."""
    said = "HS CAN H 2.6 L 2.4, low speed CAN high 0.4 low 4.8, LIN 0.1 V"
    asked = job_from_query(pairs_of(understood_from(said)))

    assert asked.case is not None
    assert [(one.network, str(one.value)) for one in asked.case.readings] == [
        ("high-speed CAN", "2.6 V"),
        ("high-speed CAN", "2.4 V"),
        ("fault-tolerant low-speed CAN", "0.4 V"),
        ("fault-tolerant low-speed CAN", "4.8 V"),
        ("LIN", "0.1 V"),
    ]


def test_the_form_has_a_state_for_cranking():
    """A supply that only fails while the starter draws is read while cranking."""
    asked = job_from_query([("r1.what", "volt-battery"), ("r1.value", "8.1"), ("r1.state", "cranking")])
    assert asked.case is not None
    assert asked.case.readings[0].ignition == "cranking"
