"""The draft of an interview: on the disk after every answer, never half, never another interview's."""

import json
import os
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

import pytest

from casebase.errors import InputError
from casebase.intake.draft import Draft, draft_files, draft_line, new_draft, resume
from casebase.intake.interview import Interview
from casebase.intake.script import Beginning

TODAY = date(2026, 3, 2)
HOLDS_A_DRAFT = """
import sys, time
from pathlib import Path
from casebase.intake.draft import Draft
draft = Draft(Path(sys.argv[1]))
draft.save({"format": 1})
print("saved", flush=True)
time.sleep(60)
"""
SAVES_WITHOUT_PAUSE = """
import sys
from pathlib import Path
from casebase.intake.draft import Draft
draft = Draft(Path(sys.argv[1]))
for number in range(100_000):
    draft.save({"format": 1, "number": number, "filling": "x" * 200_000})
    if number == 0:
        print(".", end="", flush=True)
"""


@pytest.fixture
def interview() -> Interview:
    """An interview about an invented vehicle, two answers in."""
    begun = Interview(Beginning(TODAY))
    begun.answer("Norrvik")
    begun.answer("Skarn")
    return begun


def test_what_was_saved_is_loaded(tmp_path: Path, interview: Interview) -> None:
    """Letters of any script survive."""
    interview.answer("2019")
    interview.answer("plattform Å, 平台")
    draft = new_draft(tmp_path / "drafts")
    draft.save(interview.state())
    assert draft.load() == json.loads(json.dumps(interview.state()))


def test_saving_leaves_nothing_beside_the_draft(tmp_path: Path, interview: Interview) -> None:
    """Temporary files are gone after every save; only the draft and its lock are there."""
    draft = new_draft(tmp_path)
    for _ in range(3):
        draft.save(interview.state())
    assert sorted(path.name for path in tmp_path.iterdir()) == [draft.path.name, f"{draft.path.name}.lock"]
    draft.release()
    assert [path.name for path in tmp_path.iterdir()] == [draft.path.name]


def test_a_failing_disk_leaves_the_draft_before(
    tmp_path: Path, interview: Interview, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When the new draft cannot be written out the one before it stays whole, and the sentence says why."""
    draft = new_draft(tmp_path)
    draft.save({"format": 1, "answers": "first"})

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        draft.save(interview.state())
    monkeypatch.undo()
    assert draft.load() == {"format": 1, "answers": "first"}
    assert len(list(tmp_path.iterdir())) == 2


def test_the_file_and_its_name_are_both_flushed_to_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX: a renaming is durable only once the folder itself was synced."""
    synced = []
    real = os.fsync
    monkeypatch.setattr(
        os,
        "fsync",
        lambda descriptor: synced.append(os.readlink(f"/proc/self/fd/{descriptor}")) or real(descriptor),
    )
    new_draft(tmp_path).save({"format": 1})
    assert [Path(name).parent == tmp_path for name in synced[:1]] == [True]
    assert Path(synced[-1]) == tmp_path


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[1]", b"\xff\xfe", b'{"format": 1, "given": 5}', b"[" * 100_000]
)
def test_a_damaged_draft_is_set_aside_not_deleted(tmp_path: Path, content: bytes) -> None:
    """Its content is still there under another name, and it is not offered again."""
    path = tmp_path / "a.draft.json"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"set aside as a\.draft\.json\.damaged"):
        resume(path, TODAY)
    assert (tmp_path / "a.draft.json.damaged").read_bytes() == content
    assert draft_files(tmp_path) == []


def test_a_second_damaged_draft_does_not_replace_the_first(tmp_path: Path) -> None:
    """Each damaged draft keeps a name of its own."""
    for content in (b"first", b"second"):
        (tmp_path / "a.draft.json").write_bytes(content)
        with pytest.raises(InputError):
            Draft(tmp_path / "a.draft.json").load()
    assert sorted(path.read_bytes() for path in tmp_path.glob("*.damaged")) == [b"first", b"second"]


def test_a_draft_of_a_later_version_stays_where_it_is(tmp_path: Path) -> None:
    """It is not damaged: the later version can go on with it."""
    path = tmp_path / "a.draft.json"
    path.write_text('{"format": 99}')
    with pytest.raises(InputError, match="format 99"):
        resume(path, TODAY)
    assert draft_files(tmp_path) == [path]


@pytest.mark.slow
def test_two_interviews_have_two_drafts(tmp_path: Path, interview: Interview) -> None:
    """Two windows begun in the same second do not write over each other's answers."""
    drafts = [new_draft(tmp_path) for _ in range(20)]
    for number, draft in enumerate(drafts):
        draft.save({"format": 1, "number": number})
    assert [draft.load()["number"] for draft in drafts] == list(range(20))


@pytest.mark.slow
def test_a_draft_open_in_another_window_is_neither_offered_nor_taken(tmp_path: Path) -> None:
    """While one process holds a draft another can neither list, load nor save it; when it is killed, it can."""
    path = tmp_path / "a.draft.json"
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS_A_DRAFT, str(path)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "saved\n"
        assert draft_files(tmp_path) == []
        with pytest.raises(InputError, match="open in another window"):
            Draft(path).load()
        with pytest.raises(InputError, match="open in another window"):
            Draft(path).save({"format": 1})
        other.send_signal(signal.SIGKILL)
    assert draft_files(tmp_path) == [path]
    assert Draft(path).load() == {"format": 1}


def test_a_finished_draft_is_removed(tmp_path: Path) -> None:
    """Once the record is stored nothing of the draft is left."""
    draft = new_draft(tmp_path)
    draft.save({"format": 1})
    draft.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_draft_that_is_gone_is_reported(tmp_path: Path) -> None:
    """A draft finished in another window meanwhile is named in a sentence."""
    with pytest.raises(InputError, match="not there any more"):
        Draft(tmp_path / "a.draft.json").load()


@pytest.mark.slow
def test_only_the_owner_can_read_a_draft(tmp_path: Path) -> None:
    """A draft holds the customer's words and a VIN."""
    draft = new_draft(tmp_path)
    draft.save({"format": 1})
    assert draft.path.stat().st_mode & 0o077 == 0


def test_a_draft_is_chosen_by_its_vehicle(tmp_path: Path, interview: Interview) -> None:
    """The line tells vehicle, answers and when it was saved; what cannot be read says so."""
    draft = new_draft(tmp_path)
    draft.save(interview.state())
    assert draft_line(draft.path).startswith("Norrvik Skarn, 2 answers, saved 20")
    draft.path.write_text("{")
    assert draft_line(draft.path).endswith("cannot be read")


@pytest.mark.slow
@pytest.mark.parametrize("seconds", [0.0, 0.011, 0.023])
def test_killed_at_any_moment_the_draft_is_whole(tmp_path: Path, seconds: float) -> None:
    """SIGKILL in the midst of saving leaves the last draft or the one before, never a part of one."""
    path = tmp_path / "a.draft.json"
    with subprocess.Popen(
        [sys.executable, "-c", SAVES_WITHOUT_PAUSE, str(path)], stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.read(1) == b"."
        time.sleep(seconds)
        other.kill()
    assert Draft(path).load()["filling"] == "x" * 200_000
