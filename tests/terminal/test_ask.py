"""The interview in a terminal: commands, help, pasting, stopping, and being killed."""

import io
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pexpect
import pytest
from rich.console import Console

from casebase.intake.draft import Draft, draft_files, new_draft, resume
from casebase.intake.interview import Interview
from casebase.intake.script import Beginning
from casebase.record.case import status_of
from casebase.record.vocabulary import Status
from casebase.terminal import interview as asking
from casebase.terminal.interview import hold_interview

TODAY = date(2026, 3, 2)
TO_CONCERN = ["Norrvik", "Skarn", ""]
TO_SCAN = [*TO_CONCERN, "no crank", "", ""]
TO_REVIEW_AFTER_SCAN = [""] * 6
PROGRAM = """
import sys
from datetime import date
from pathlib import Path
from rich.console import Console
from casebase.intake.draft import new_draft
from casebase.intake.interview import Interview
from casebase.intake.script import Beginning
from casebase.terminal.interview import hold_interview
interview = Interview(Beginning(date(2026, 3, 2)))
case = hold_interview(interview, new_draft(Path(sys.argv[1])), Console())
print("RESULT", case and (case.vehicle.model, [entry.code.text for entry in case.codes]))
"""


def typed(lines: list[str]) -> Callable[[str], str]:
    """Return a reader that types `lines` and then ends; prompts are written to what it is asked on."""
    remaining: Iterator[str] = iter(lines)

    def read(prompt: str) -> str:
        for line in remaining:
            return line
        raise EOFError

    return read


def screen() -> Console:
    """A screen to be read afterwards."""
    return Console(file=io.StringIO(), width=80)


def text_of(console: Console) -> str:
    """Return what was written on a screen made by `screen`."""
    return console.file.getvalue()


@pytest.fixture
def interview() -> Interview:
    """An interview not begun yet."""
    return Interview(Beginning(TODAY, author="lead.tech", shop="Quay Street Garage"))


def test_a_short_job_is_kept(tmp_path: Path, interview: Interview) -> None:
    """Vehicle and concern, Enter for the rest, yes: an open job; the draft stays until the caller has stored it."""
    draft = new_draft(tmp_path)
    case = hold_interview(interview, draft, screen(), typed([*TO_SCAN, *TO_REVIEW_AFTER_SCAN, "yes"]))
    assert (case.vehicle.make, status_of(case)) == ("Norrvik", Status.OPEN)
    assert draft.path.exists()
    draft.remove()


def test_the_end_of_input_keeps_the_draft(tmp_path: Path, interview: Interview) -> None:
    """When the input ends the answers so far are on the disk and the way back to them is told."""
    console, draft = screen(), new_draft(tmp_path)
    assert hold_interview(interview, draft, console, typed(["Norrvik", "Skarn"])) is None
    assert "2 answers kept in" in text_of(console)
    assert draft_files(tmp_path) == [draft.path]
    assert resume(draft.path, TODAY)[0].question.key == "vehicle.more"


def test_stop_and_interruption_keep_the_draft(tmp_path: Path, interview: Interview) -> None:
    """Typing stop and pressing Ctrl-C do the same."""

    def interrupted(prompt: str) -> str:
        raise KeyboardInterrupt

    draft = new_draft(tmp_path)
    assert hold_interview(interview, draft, screen(), typed(["Norrvik", "STOP"])) is None
    going_on, same = resume(draft.path, TODAY)
    assert hold_interview(going_on, same, screen(), interrupted) is None
    assert [tuple(answer) for answer in Draft(draft.path).load()["given"]] == [("vehicle.make", "Norrvik")]


def test_stopping_before_the_first_answer_leaves_no_draft(tmp_path: Path, interview: Interview) -> None:
    """Nothing was said, nothing is kept."""
    console = screen()
    assert hold_interview(interview, new_draft(tmp_path), console, typed(["stop"])) is None
    assert "nothing was kept" in text_of(console)
    assert list(tmp_path.iterdir()) == []


def test_a_question_mark_shows_words_and_an_example(interview: Interview) -> None:
    """Help tells what the question is for, its words, an example, and how to move."""
    console = screen()
    hold_interview(interview, None, console, typed([*TO_CONCERN, "no crank", "", "?"]))
    shown = text_of(console)
    assert shown.count("4 J1939") == 2
    assert "Example: can 500, behind gateway GWM" in shown
    assert "same levels" in shown


def test_a_refused_answer_is_asked_again_with_the_reason(interview: Interview) -> None:
    """The sentence stands on the screen and the next line answers the same question."""
    console = screen()
    hold_interview(interview, None, console, typed(["Norrvik", "Skarn", "K2, K3", "2019"]))
    assert "'K3': platform was given already (K2)" in text_of(console)
    assert interview.data["vehicle"]["model_year"] == "2019"


def test_back_and_forward_move_through_the_answers(interview: Interview) -> None:
    """Back mends one answer, back PART a whole part, forward returns to where one was."""
    lines = [*TO_CONCERN, "no crnak", "back", "no crank", "back vehicle", "Nordmark", "forward"]
    hold_interview(interview, None, screen(), typed(lines))
    assert interview.question.key == "seen"
    assert interview.data["vehicle"] == {"make": "Nordmark", "model": "Skarn"}
    assert interview.data["concern"] == "no crank"


def test_back_to_normal_is_a_value_and_no_command(interview: Interview) -> None:
    """A reading may be back to normal."""
    lines = [
        *TO_CONCERN,
        "no crank",
        "",
        "hs can",
        "",
        "",
        "volts",
        "",
        "",
        "on",
        "",
        "",
        "",
        "back to normal",
    ]
    hold_interview(interview, None, screen(), typed(lines))
    assert interview.data["readings"][0]["value"] == "back to normal"


def test_the_number_of_readings_so_far_is_shown(interview: Interview) -> None:
    """After one reading the heading counts it."""
    console = screen()
    hold_interview(interview, None, console, typed([*TO_SCAN, "", "", "supply to ground 12.4"]))
    assert "Part 6 of 13: readings, 1 so far" in text_of(console)
    assert "read as: supply to ground at DLC: 12.4 V" in text_of(console)


@pytest.mark.parametrize("end", ["", "."])
def test_a_pasted_report_ends_at_an_empty_line_or_a_dot(interview: Interview, end: str) -> None:
    """What was found is numbered on the screen before it is kept."""
    console = screen()
    report = ["BCM U0121-00 confirmed", "EPS no response", end]
    hold_interview(interview, None, console, typed([*TO_SCAN, *report, ""]))
    assert "1. BCM: U0121-00" in text_of(console)
    assert [entry["code"] for entry in interview.data["codes"]] == ["U0121-00"]


def test_an_answer_that_cannot_be_saved_is_not_lost(tmp_path: Path, interview: Interview) -> None:
    """With the drafts' folder unusable the interview says so and goes on."""
    (tmp_path / "drafts").write_text("a file where a folder should be")
    console = screen()
    draft = new_draft(tmp_path / "drafts")
    case = hold_interview(interview, draft, console, typed([*TO_SCAN, *TO_REVIEW_AFTER_SCAN, "yes"]))
    assert case.concern == "no crank"
    assert "cannot be written to" in text_of(console)


@pytest.mark.slow
def test_it_reads_from_a_pipe(tmp_path: Path) -> None:
    """Lines piped in are answers like any other."""
    lines = "\n".join([*TO_SCAN, "BCM U0121-00", "", *TO_REVIEW_AFTER_SCAN, "yes"]) + "\n"
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, str(tmp_path)],
        input=lines,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "RESULT ('Skarn', ['U0121-00'])" in done.stdout
    assert done.stderr == ""


@pytest.fixture
def window(tmp_path: Path) -> Iterator[pexpect.spawn]:
    """A terminal window in which an interview is being held."""
    child = pexpect.spawn(
        sys.executable,
        ["-c", PROGRAM, str(tmp_path)],
        encoding="utf-8",
        timeout=120,
        dimensions=(40, 100),
        preexec_fn=lambda: signal.signal(
            signal.SIGINT, signal.SIG_DFL
        ),  # tests in the background inherit it ignored
    )
    child.expect("Make: ")
    yield child
    child.close(force=True)


def answer(window: pexpect.spawn, *pairs: tuple[str, str]) -> None:
    """Type each line and wait for the prompt that follows it."""
    for line, next_prompt in pairs:
        window.sendline(line)
        window.expect_exact(next_prompt)


@pytest.mark.slow
def test_killed_halfway_every_confirmed_answer_is_there(tmp_path: Path, window: pexpect.spawn) -> None:
    """SIGKILL while a question is open: the interview is taken up with that question, all answers in place."""
    answer(
        window,
        ("Norrvik", "Model: "),
        ("Skarn", "VIN (Enter: none): "),
        ("2019, K2, diesel, 84200", "customer says: "),
    )
    window.send("Dies at the")
    os.kill(window.pid, signal.SIGKILL)
    window.expect(pexpect.EOF)
    (path,) = draft_files(tmp_path)
    going_on, draft = resume(path, TODAY)
    draft.release()
    assert going_on.question.key == "concern"
    assert going_on.data["vehicle"] == {
        "make": "Norrvik",
        "model": "Skarn",
        "model_year": "2019",
        "platform": "K2",
        "powertrain": "diesel",
        "odometer": "84200 km",
    }


@pytest.mark.slow
def test_a_paste_with_empty_lines_in_it_is_read_to_its_end(window: pexpect.spawn) -> None:
    """Reports have empty lines between modules; pasted into a window they arrive at once and belong together."""
    answer(window, ("Norrvik", "Model: "), ("Skarn", "VIN (Enter: none): "), ("", "customer says: "))
    answer(window, ("no crank", "Lamps lit"), ("", "Networks"), ("", "Scan report"))
    window.send("BCM U0121-00\n\nECM P0562\n\n")
    window.expect_exact("Right?")
    assert "2. ECM: P0562" in window.before


@pytest.mark.slow
def test_ctrl_c_leaves_without_a_traceback(tmp_path: Path, window: pexpect.spawn) -> None:
    """The window says where the answers are."""
    answer(window, ("Norrvik", "Model: "))
    window.sendintr()
    window.send(
        "\r"
    )  # an interrupt between showing the prompt and waiting for keys is noticed at the next key only
    window.expect_exact("1 answer kept in")
    window.expect_exact("RESULT None")
    window.expect(pexpect.EOF)
    assert "Traceback" not in window.before
    assert len(draft_files(tmp_path)) == 1


@pytest.mark.slow
def test_importing_the_interview_is_cheap() -> None:
    """The YAML reader, which costs a tenth of a second, is not loaded before a file is read."""
    program = "import sys, casebase.terminal.interview, casebase.intake.template; print('ruamel.yaml' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"


@pytest.mark.slow
@pytest.mark.parametrize(("keys", "more"), [([True], True), ([False, False, True], True), ([], False)])
def test_windows_is_asked_for_waiting_keys(
    monkeypatch: pytest.MonkeyPatch, keys: list[bool], more: bool
) -> None:
    """There `select` knows no console; `msvcrt.kbhit` tells whether a key waits (a stand-in for it here)."""
    told = iter(keys)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(kbhit=lambda: next(told, more)))
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    assert asking._more_is_waiting() is more
