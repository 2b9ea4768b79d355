"""Whatever is done to a library, in whatever order: one in a file and one on a hub say the same."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from casebase.errors import CasebaseError
from casebase.library import layouts, mending, reviews, store
from casebase.library.engine import HubAddress
from casebase.library.history import history
from casebase.library.mending import bring_back, remove, removed_records, take_back
from casebase.library.reviews import Said, said_of, say, standings
from casebase.library.store import Library
from casebase.record.case import Case
from tests.library.hub_server import HubServer, needs_postgresql

pytestmark = [needs_postgresql, pytest.mark.slow]

WORDS = st.sampled_from(
    ["corroded", "connector", "CAN", "ÖLDRUCK", "U0121", "ωmega", "naïve", "60.2", "it's", "%", "\\"]
)
CONCERNS = st.lists(WORDS, min_size=1, max_size=6).map(" ".join)
MODELS = st.sampled_from(["Fjellet", "fjellet", "Östra"])
PEOPLE = st.sampled_from(["tova", "ingrid"])


def made(concern: str, model: str, author: str) -> Case:
    """Return a small record."""
    return Case.model_validate(
        {
            "kind": "fault case",
            "vehicle": {"make": "Norrvik", "model": model},
            "concern": concern,
            "cause": {"fault": "low_open", "proof": "seen"},
            "provenance": {"author": author, "ended": "2026-11-20"},
        }
    )


def answer_of(ask: Callable[[], Any]) -> Any:
    """Return an answer, or the sentence of a refusal."""
    try:
        return ask()
    except CasebaseError as error:
        return str(error)


class BothEngines(RuleBasedStateMachine):
    """A library in a file and one on a hub, treated alike."""

    server: HubServer
    hub: HubAddress
    folder: Path
    numbers = count()
    cases = Bundle("cases")

    def __init__(self) -> None:
        super().__init__()
        self.server.empty_again(self.hub)
        self.both = [Library.create(self.folder / f"{next(self.numbers)}.db"), Library.open(self.hub)]
        self.seconds = count()

    def teardown(self) -> None:
        """What both hold is whole."""
        assert [library.faults() for library in self.both] == [[], []]
        for library in self.both:
            library.close()

    def same(self, ask: Callable[[Library], Any]) -> Any:
        """Ask both within one second; return their one answer."""
        second = next(self.seconds)
        now = f"2026-11-30T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}+00:00"
        with pytest.MonkeyPatch.context() as patch:
            for module in (store, mending, reviews, layouts):
                patch.setattr(module, "now_text", lambda: now)
            of_file, of_hub = (answer_of(lambda library=library: ask(library)) for library in self.both)
        assert of_file == of_hub
        return of_file

    @rule(target=cases, concern=CONCERNS, model=MODELS, author=PEOPLE)
    def log(self, concern: str, model: str, author: str) -> Any:
        """Log a record, perhaps one that is there."""
        told = self.same(lambda library: library.log([made(concern, model, author)]))
        return told[0].case_id if isinstance(told, list) else multiple()

    @rule(case_id=cases, concern=CONCERNS, author=PEOPLE, made_from=st.sampled_from([None, 1, 2, 3]))
    def revise(self, case_id: str, concern: str, author: str, made_from: int | None) -> None:
        """Log a revision, perhaps of one that somebody else has revised since, or that was removed."""
        revised = made(concern, "Fjellet", author).model_copy(update={"id": case_id, "revision": made_from})
        self.same(lambda library: library.log([revised]))

    @rule(case_id=cases, by=PEOPLE, to=st.sampled_from([None, 1, 2]))
    def take_back(self, case_id: str, by: str, to: int | None) -> None:
        """Take the last revision back."""
        self.same(lambda library: take_back(library, case_id, by, to))

    @rule(case_id=cases, by=PEOPLE)
    def remove(self, case_id: str, by: str) -> None:
        """Put a case away."""
        self.same(lambda library: remove(library, case_id, by, "told twice"))

    @rule(case_id=cases, by=PEOPLE)
    def bring_back(self, case_id: str, by: str) -> None:
        """Bring it back."""
        self.same(lambda library: bring_back(library, case_id, by))

    @rule(case_id=cases, other=cases, said=st.sampled_from([one for one in Said if one is not Said.WAITS]))
    def say(self, case_id: str, other: str, said: Said) -> None:
        """Speak of it as the shop lead."""
        self.same(lambda library: say(library, case_id, said, "ingrid", "why", other))

    @rule(words=CONCERNS)
    def find(self, words: str) -> None:
        """Search: the same cases in the same order."""
        self.same(lambda library: library.summaries(find=words))

    @rule(case_id=cases)
    def look(self, case_id: str) -> None:
        """Look at one case from all sides."""
        self.same(lambda library: history(library, case_id))
        self.same(lambda library: library.revisions(case_id))
        self.same(lambda library: said_of(library, case_id))

    @rule()
    def rebuild(self) -> None:
        """Make all tables again."""
        self.same(lambda library: library.rebuild())

    @invariant()
    def holds_the_same(self) -> None:
        """All cases, where each stands, and what would be compared."""
        self.same(lambda library: library.summaries())
        self.same(lambda library: library.summaries(model="FJELLET"))
        self.same(
            lambda library: (library.vehicles_and_platforms(), library.vehicles(), library.fault_counts())
        )
        self.same(lambda library: library.read_and_agreed())
        self.same(removed_records)
        self.same(standings_in)


def standings_in(library: Library) -> Any:
    """Return where every case stands."""
    there = library.records()
    with library.reading() as db:
        return standings(db, there)


def test_a_file_and_a_hub_say_the_same(hub_server: HubServer, hub: HubAddress, tmp_path: Path) -> None:
    """Ten lives of a library, of up to twenty steps each."""

    class Here(BothEngines):
        server, folder = hub_server, tmp_path

    Here.hub = hub
    several = settings(
        max_examples=10,
        stateful_step_count=20,
        deadline=None,
        suppress_health_check=list(HealthCheck),
    )
    run_state_machine_as_test(Here, settings=several)
