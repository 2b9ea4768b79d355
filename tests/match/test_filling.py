"""Profiles filled in by several processes: the same to the last bit, in order, and whole when one of them dies."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from casebase import places
from casebase.commands.opening import TextModelAhead, processes_to_share_among
from casebase.errors import InputError
from casebase.library.matching import Means, index_folder
from casebase.library.store import Library
from casebase.match.filling import SHARED_FROM, Filling, batches
from casebase.match.meaning import TOGETHER, filled_profiles
from casebase.record.case import Case

NO_BUSES = None


@dataclass(frozen=True)
class Lengths:
    """Gives a text the vector of its place among those it was given with: batches parted otherwise would tell."""

    deadly: str = ""
    identity: str = "lengths"
    dimensions: int = 2

    def vectors(self, texts: Sequence[str]) -> Any:
        """Return one vector per text; in another process a deadly one kills it."""
        if self.deadly in texts and self.deadly and os.environ.get("FIRST_PROCESS") != str(os.getpid()):
            os.kill(os.getpid(), signal.SIGKILL)
        angles = np.arange(len(texts)) / TOGETHER
        return np.stack([np.cos(angles), np.sin(angles)], axis=1).astype(np.float32)


def many(count: int) -> list[tuple[str, Case]]:
    """Return cases with a story each."""
    return [
        (
            f"{number:08}",
            Case.model_validate(
                {
                    "kind": "fault case",
                    "vehicle": {"make": "Norrvik", "model": "Skarn"},
                    "concern": f"Lamp {number} on.",
                }
            ),
        )
        for number in range(count)
    ]


def told(filling: Filling, cases: list[tuple[str, Case]]) -> list[tuple[str, bytes]]:
    """Return the profiles as what tells them apart."""
    with filling:
        return [(one.case_id, np.asarray(one.vector).tobytes()) for one in filling.profiles(cases)]


@pytest.mark.slow
def test_two_processes_give_what_one_gives() -> None:
    """In the order given, parted into the same batches; the last one is shorter."""
    cases = many(SHARED_FROM + 7)
    alone = told(Filling(NO_BUSES, Lengths()), cases)
    assert [case_id for case_id, _ in alone] == [case_id for case_id, _ in cases]
    assert told(Filling(NO_BUSES, Lengths(), 2, len(cases)), cases) == alone
    assert active_children() == []


@pytest.mark.slow
def test_a_process_that_dies_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed for want of memory, say: this process does the rest alone."""
    monkeypatch.setenv("FIRST_PROCESS", str(os.getpid()))
    cases = many(SHARED_FROM)
    deadly = Lengths("Lamp 700 on.")
    assert told(Filling(NO_BUSES, deadly, 2, len(cases)), cases) == told(Filling(NO_BUSES, Lengths()), cases)
    assert active_children() == []


@pytest.mark.slow
def test_what_no_other_process_can_open_is_done_alone() -> None:
    """An embedder made within a function cannot travel."""

    class Local(Lengths):
        """Of this function alone."""

    cases = many(SHARED_FROM)
    assert told(Filling(NO_BUSES, Local(), 2, len(cases)), cases) == told(Filling(NO_BUSES, Lengths()), cases)


def test_few_cases_are_done_alone() -> None:
    """Another process would not have begun when they are done."""
    cases = many(20)
    with Filling(NO_BUSES, Lengths(), 2, SHARED_FROM - 1) as filling:
        assert len(list(filling.profiles(cases))) == 20
        assert active_children() == []


def test_a_mistake_in_reading_them_ends_the_processes() -> None:
    """What goes wrong with the cases is told, and nobody is left behind."""

    def broken() -> Any:
        yield from many(TOGETHER * 2)
        raise ValueError("the disk is gone")

    with (
        pytest.raises(ValueError, match="the disk is gone"),
        Filling(NO_BUSES, Lengths(), 2, SHARED_FROM) as filling,
    ):
        list(filling.profiles(broken()))
    assert active_children() == []


@pytest.mark.slow
def test_an_index_made_by_two_is_that_of_one_byte_for_byte(tmp_path: Path, demo_cases: Any) -> None:
    """Through a library with revised and removed records, with readings and the text model: every file alike."""
    cases = list(demo_cases.values())
    made = []
    for processes in (1, 2):
        path = tmp_path / f"{processes}.db"
        with Library.create(path) as library:
            for start in range(0, SHARED_FROM + 50, len(cases)):
                library.log(
                    one.model_copy(update={"note": f"Job {start}.", "readings": one.readings[: start % 5]})
                    for one in cases
                )
            first = min(one["id"] for one in library.summaries())
            library.log(
                [library.get(first).case.model_copy(update={"id": first, "revision": 1, "note": "Again."})]
            )
            means = Means(places.simulation_folder(), TextModelAhead(), processes=processes)
            library._set_fact("library id", "the same")
            library.collection(means)
        folder = index_folder(path)
        made.append({one.name: one.read_bytes() for one in folder.iterdir() if one.suffix})
    assert [name for name, content in made[0].items() if made[1].get(name) != content] == []
    assert made[0].keys() == made[1].keys()
    assert len(made[0]) > 20


ORPHANED = """
import sys
from tests.match.test_filling import Lengths, many
from casebase.match.filling import SHARED_FROM, Filling
if __name__ == "__main__":
    with Filling(None, Lengths(), 2, SHARED_FROM) as filling:
        for one in filling.profiles(many(SHARED_FROM)):
            from multiprocessing import active_children
            print(*(child.pid for child in active_children()), flush=True)
            sys.stdin.readline()
"""


@pytest.mark.slow
def test_whoever_is_killed_leaves_no_process_behind(tmp_path: Path) -> None:
    """The others end by themselves when the first one is gone, whatever ended it."""
    script = tmp_path / "orphaned.py"
    script.write_text(ORPHANED, encoding="utf-8")
    root = str(Path(__file__).parents[2])
    first = subprocess.Popen(
        [sys.executable, script],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": root},
    )
    assert first.stdout is not None
    others = [int(pid) for pid in first.stdout.readline().split()]
    assert len(others) == 2
    first.kill()
    first.communicate()
    until = time.monotonic() + 60
    while any(Path(f"/proc/{pid}/stat").exists() for pid in others) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(Path(f"/proc/{pid}/stat").exists() for pid in others)


@pytest.mark.parametrize("text", ["0", "62", "two", "", "-1", "²"])
def test_how_many_processes_is_a_whole_number(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """At most as many as Windows lets one process wait for."""
    monkeypatch.setenv(places.PROCESSES_VARIABLE, text)
    with pytest.raises(InputError, match=r"CASEBASE_PROCESSES: .*expected how many processes"):
        processes_to_share_among()


def test_the_environment_says_how_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else it is one for each core that this process may use."""
    monkeypatch.setenv(places.PROCESSES_VARIABLE, "3")
    assert processes_to_share_among() == 3
    monkeypatch.delenv(places.PROCESSES_VARIABLE)
    assert 1 <= processes_to_share_among() <= (os.cpu_count() or 1)
    assert [len(some) for some in batches(range(TOGETHER + 1))] == [TOGETHER, 1]
    assert len(list(filled_profiles(many(3), None, None))) == 3
