"""`casebase log` without a file, in a real terminal: ask, stop, be killed, go on, keep."""

import json
import os
import re
import subprocess
import sys
import time

import pexpect
import pytest

from casebase.library.store import Library
from casebase.record.case import status_of
from casebase.record.vocabulary import Stage, Status

pytestmark = pytest.mark.slow

PROMPT = r"[:?\])] $"
KILLED_AFTER = "What the customer says"


@pytest.fixture
def home(tmp_path):
    """An environment in which everything casebase keeps lies in a folder of its own."""
    return os.environ | {
        "XDG_DATA_HOME": str(tmp_path),
        "HOME": str(tmp_path),
        "TERM": "dumb",
        "COLUMNS": "100",
    }


def start(home, *arguments):
    """Start the interview in a terminal."""
    return pexpect.spawn(
        sys.executable,
        ["-m", "casebase", "log", *arguments],
        env=home,
        encoding="utf-8",
        timeout=120,
        dimensions=(60, 100),
    )


def walk(terminal, answers, until="Kept as"):
    """Answer by prompt, Enter where nothing is given, until a text appears; return all that was shown."""
    waiting, shown = list(answers), ""
    for _ in range(150):
        if terminal.expect([until, PROMPT]) == 0:
            return shown + terminal.before
        prompt = (terminal.before + terminal.after).splitlines()[-1]
        shown += terminal.before + terminal.after
        found = next((item for item in waiting if item[0] in prompt), None)
        if found:
            waiting.remove(found)
        terminal.sendline(found[1] if found else "")
    raise AssertionError(f"never saw {until!r}:\n{shown}")


VEHICLE = [("Make:", "Norrvik"), ("Model:", "Skarn"), ("Year, platform", "2016, K4")]


def only_case(tmp_path):
    """Return the one case of the user's own library."""
    with Library.open(tmp_path / "casebase" / "library.db") as library:
        (row,) = library.summaries()
        return library.get(row["id"])


def test_an_open_job_is_kept_with_the_least_typing(home, tmp_path):
    """Vehicle, concern, the pasted scan and Enter for all the rest: the job is in the library, the draft is gone."""
    answers = [*VEHICLE, ("customer says", "ABS lamp in rain"), ("Keep it?", "yes")]

    terminal = start(home)
    walk(terminal, answers)
    terminal.expect(pexpect.EOF)  # the draft goes after the line that tells where the record was kept

    kept = only_case(tmp_path)
    assert kept.case.concern == "ABS lamp in rain"
    assert kept.case.vehicle.platform == "K4"
    assert not list((tmp_path / "casebase" / "drafts").glob("*.json"))


SCAN = """Body control module
  U0121-00 confirmed

  U0131-00 pending

Engine control module

  U0121-00
EPS: no response
"""
WHOLE_CASE = [
    ("Make:", "Norrvik"),
    ("Model:", "Skarn"),
    ("Year, platform", "2019, K2, diesel, 188000"),
    ("customer says", "Dies at the lights, all lamps on"),
    ("Lamps lit", "engine, ABS lamp, while driving, gauges drop to zero"),
    ("Networks", "can, 500, behind gateway GWM"),
    ("Readings (", "6 to 14 122"),
    ("More readings", "H 2.6 V"),
    ("More readings", "L 2.4 V"),
    ("More readings", "6 to 5 OL"),
    ("State of", "ohms: battery off; volts: key on; nothing unplugged"),
    ("What was tried", "swapped EPS: no change; bridged splice S204: 61 ohm"),
    ("What was the cause", "a terminator missing"),
    ("Where it was", "splice S204 under the left carpet; water"),
    ("How it was proven", "61 ohm with the splice bridged, 122 ohm without"),
    ("What was done", "new splice, soldered; splice sleeve 12.00 EUR; 90 min; 184.50 EUR"),
    ("What shows", "cleared, scan clean, 12 km, 6 to 14 60.4 ohm"),
    ("does not make sense", "U0155 came back once in the cold"),
    ("Your handle", "lead.tech; Quay Street Garage; opened yesterday; ended today"),
    ("Keep it?", "yes"),
]


def prompt_shown(terminal):
    """Return the line on which the program waits for an answer; None once the record is kept.

    What looks like a prompt may be half of one, or of an answer shown as it is typed: then more follows at once.
    """
    shown, until = "", time.monotonic() + 120
    while time.monotonic() < until:
        try:
            shown += terminal.read_nonblocking(1000, timeout=0.5)
        except pexpect.TIMEOUT:
            if re.search(PROMPT, shown):
                return shown.splitlines()[-1]
        except pexpect.EOF:
            return None
    raise AssertionError(f"neither a question nor an end: {shown}")


@pytest.mark.parametrize(("begin", "end"), [("", ""), ("\x1b[200~", "\x1b[201~")])
def test_a_case_with_four_readings_and_a_pasted_scan_takes_under_25_questions(home, tmp_path, begin, end):
    """Every question answered; the scan is pasted with its blank lines, into terminals of either kind."""
    waiting, asked = list(WHOLE_CASE), []
    terminal = start(home)
    terminal.setwinsize(24, 200)  # a line too long for the window is shown in part
    while prompt := prompt_shown(terminal):
        asked.append(prompt)
        if "Scan report" in prompt:
            terminal.send(f"{begin}{SCAN}{end}")
            terminal.expect("no response")
            terminal.sendline("\n" if begin else "")
            continue
        found = next((item for item in waiting if item[0] in prompt), None)
        if found:
            waiting.remove(found)
        terminal.sendline(found[1] if found else "")

    case = only_case(tmp_path).case
    assert not waiting, "|".join(asked)
    assert len(asked) < 25, "|".join(asked)
    assert status_of(case) is Status.FIXED_VERIFIED
    assert [reading.stage for reading in case.readings].count(Stage.AFTER_REPAIR) == 1
    assert len(case.readings) == 5
    assert [entry.code.text for entry in case.codes] == ["U0121-00", "U0131-00", "U0121-00"]
    assert case.silent_modules() == ["EPS"]
    assert str(case.vehicle.odometer) == "188000 km"


def test_killed_halfway_nothing_typed_is_lost(home, tmp_path):
    """SIGKILL between two answers: the next start offers the draft, and every answer given is in it."""
    terminal = start(home)
    walk(terminal, VEHICLE, until=KILLED_AFTER)
    terminal.kill(9)
    terminal.wait()

    resumed = start(home)
    resumed.expect("Left unfinished")
    walk(resumed, [("which one?", "1"), ("customer says", "dead after rain"), ("Keep it?", "yes")])

    case = only_case(tmp_path).case
    assert (case.vehicle.make, case.vehicle.model_year, case.concern) == ("Norrvik", 2016, "dead after rain")


def test_stop_keeps_the_draft_and_says_where(home, tmp_path):
    """`stop` leaves without a case; the draft's path is told."""
    terminal = start(home)
    walk(terminal, [*VEHICLE, ("customer says", "stop")], until="Stopped")
    terminal.expect(pexpect.EOF)
    assert list((tmp_path / "casebase" / "drafts").glob("*.draft.json"))


def test_an_open_job_is_finished_later_without_typing_it_again(home, tmp_path):
    """`log --on ID` asks for what came since; the case keeps its ID and gets a revision."""
    walk(start(home), [*VEHICLE, ("customer says", "ABS lamp in rain"), ("Keep it?", "yes")])
    case_id = only_case(tmp_path).case_id
    answers = [("What was the cause?", "connector_corrosion"), ("Keep it?", "yes")]

    walk(start(home, "--on", case_id), answers, until="Kept as revision 2")

    kept = only_case(tmp_path)
    assert kept.case_id == case_id
    assert kept.case.concern == "ABS lamp in rain"
    assert kept.case.cause.fault == "connector_corrosion"


def test_end_of_input_is_a_stop(home):
    """Piped answers that end early leave a draft and no traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "casebase", "log"],
        input="Norrvik\nSkarn\n",
        capture_output=True,
        text=True,
        env=home,
        check=False,
    )
    assert "Stopped. 2 answers kept" in done.stdout
    assert "Traceback" not in done.stderr


def test_a_draft_is_plain_json(home, tmp_path):
    """Whatever happens to casebase, what was typed can be read with any editor."""
    terminal = start(home)
    walk(terminal, [*VEHICLE, ("customer says", "stop")], until="Stopped")
    (draft,) = (tmp_path / "casebase" / "drafts").glob("*.draft.json")
    assert "Norrvik" in json.dumps(json.loads(draft.read_text()))


def test_a_message_begins_a_record(home, tmp_path):
    """What a message tells need not be typed again: the rest is asked, and all of it is kept."""
    terminal = start(home, "--from", "119 ohm 6 to 14, U0101 in ECM, no comms with TCM, dead after the rain")
    shown = walk(terminal, [("Keep it?", "yes")])
    terminal.expect(pexpect.EOF)

    assert 'TCM <- "no comms with TCM"' in shown
    case = only_case(tmp_path).case
    assert (str(case.readings[0].value), case.silent_modules()) == ("119 ohm", ["TCM"])
    assert [str(one) for one in case.conditions] == ["wet"]
