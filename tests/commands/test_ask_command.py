"""`casebase ask` as a technician meets it: real processes, an invented library."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from casebase import places

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "demo_cases"
MESSAGE = "119 ohm 6 to 14, H 2.6 L 2.4, U0101 from ECM and ABS, no comms with TCM, swapped TCM no change"


def casebase(*arguments, library, stdin=""):
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "casebase", *map(str, arguments)],
        input=stdin,
        capture_output=True,
        text=True,
        env=os.environ | {"COLUMNS": "100", "CASEBASE_LIBRARY": str(library)},
        timeout=240,
        check=False,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A library with all demo records."""
    places.simulation_folder().mkdir(parents=True, exist_ok=True)
    path = tmp_path_factory.mktemp("shop") / "shop.db"
    assert casebase("log", DEMO, "--library", path, library=path).returncode == 0
    return path


def test_a_message_is_answered_from_past_cases(shop):
    """What was understood stands before the answer, each piece with the words it came from."""
    done = casebase("ask", MESSAGE, library=shop)

    assert done.returncode == 0, done.stderr
    assert 'CAN high to CAN low at DLC: 119 ohm <- "119 ohm 6 to 14"' in done.stdout
    assert 'U0101 in ABS <- "U0101 ... ABS"' in done.stdout
    assert done.stdout.index("Understood") < done.stdout.lower().index("terminator")


def test_a_program_gets_everything(shop):
    """What was understood, the story, the questions, and the answer in the shape of `similar --json`."""
    told = json.loads(casebase("ask", MESSAGE, "--json", library=shop).stdout)

    assert told["understood"]["silent"] == ["TCM"]
    assert told["understood"]["codes"][0] == {"module": "ECM", "code": "U0101", "phrase": "U0101 from ECM"}
    reading = told["understood"]["readings"][0]
    assert (reading["value"], reading["pins"], reading["phrase"]) == (
        "119 ohm",
        "6 and 14",
        "119 ohm 6 to 14",
    )
    assert told["questions"] == []
    assert told["answer"]["matches"]


def test_a_file_and_stdin_are_asked_with_as_well(shop, tmp_path):
    """The same message gives the same answer, however it comes."""
    path = tmp_path / "message.txt"
    path.write_text(MESSAGE, encoding="utf-8")

    typed = casebase("ask", MESSAGE, "--json", library=shop).stdout
    assert casebase("ask", path, "--json", library=shop).stdout == typed
    assert casebase("ask", "-", "--json", library=shop, stdin=MESSAGE).stdout == typed
    assert casebase("ask", "--json", library=shop, stdin=MESSAGE).stdout == typed


def test_words_alone_are_searched_for(shop):
    """Cases that hold the words come first, then those whose story means much the same."""
    told = json.loads(casebase("ask", "water", "in", "the", "splice", "--json", library=shop).stdout)

    assert told["answer"] is None
    assert {one["by"] for one in told["found"]} <= {"words", "meaning"}
    assert told["found"][0]["by"] == "words"


def test_what_the_answer_depends_on_is_asked(shop):
    """Nobody sits there to answer: the question is printed with its choices."""
    done = casebase("ask", "H 0 V, L 0 V, nothing talks", library=shop)
    assert "Was the key on while the volts were read? (on or off)" in done.stdout


def test_nothing_to_ask_is_refused_in_a_sentence(shop):
    """An empty message says what was expected."""
    done = casebase("ask", "", library=shop)
    assert done.returncode == 2
    assert done.stderr.startswith("Error: nothing to ask: expected a message such as")
