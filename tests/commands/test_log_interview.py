"""`casebase log` without a file, in a real terminal: ask, stop, be killed, go on, keep."""

import json
import os
import subprocess
import sys

import pexpect
import pytest

from casebase.library.store import Library

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


VEHICLE = [("Make:", "Norrvik"), ("Model:", "Skarn"), ("Platform:", "K4")]


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


def test_killed_halfway_nothing_typed_is_lost(home, tmp_path):
    """SIGKILL between two answers: the next start offers the draft, and every answer given is in it."""
    terminal = start(home)
    walk(terminal, [*VEHICLE, ("Model year:", "2016")], until=KILLED_AFTER)
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
