"""The interview: holds the answers, knows the question that is due, goes back and forward. No screen, no storage.

The script is a generator that is fed the answers; going back drops answers and feeds the rest again. A draft is
the list of answers with the keys of their questions, so taking up a draft is feeding them too.
"""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import replace
from datetime import date
from typing import Any, Final, NamedTuple

from casebase.errors import InputError, RecordError
from casebase.intake.question import SKIP, Known, Question, Script
from casebase.intake.script import KEEP, Beginning, script
from casebase.record.case import Case
from casebase.record.loading import case_from_data

STATE_FORMAT: Final = 1


class Given(NamedTuple):
    """One confirmed answer: the key of its question and the text that answered it, `-` for a skip."""

    key: str
    text: str


class Interview:
    """One interview. `question` is due now, None once the record is stored.

    `known` is what the library offers while somebody types. `remembered` holds answers that were gone back over (or
    came from a draft and no longer fit their place); they are offered again when their question comes. `misfits`
    counts the latter.
    """

    def __init__(self, beginning: Beginning, today: date | None = None, known: Known | None = None) -> None:
        self.beginning = beginning
        self.known = known or Known()
        self.today = today or beginning.started
        self.given: list[Given] = []
        self.remembered: dict[str, str] = {}
        self.misfits = 0
        self.question: Question | None = None
        self.data: dict[str, Any] = {}
        self._start()

    @classmethod
    def from_state(cls, state: Mapping[str, Any], today: date, known: Known | None = None) -> Interview:
        """Return the interview that `state()` described; raises `InputError` where it is nothing of the kind."""
        if state.get("format") != STATE_FORMAT:
            raise InputError(
                f"a draft of format {state.get('format')!r}: expected {STATE_FORMAT}; begin anew"
            )
        try:
            interview = cls(Beginning.from_data(state["beginning"]), today, known)
            answers = [Given(str(key), str(text)) for key, text in state["given"]]
            remembered = {str(key): str(text) for key, text in dict(state["remembered"]).items()}
        except (KeyError, TypeError, ValueError, AttributeError, RecordError):
            raise InputError("a draft that holds no answers of an interview: begin anew") from None
        interview._take_up(answers, remembered)
        interview.misfits = len(answers) - len(interview.given)
        return interview

    def state(self) -> dict[str, Any]:
        """Return everything needed to go on later, as plain data for a draft."""
        return {
            "format": STATE_FORMAT,
            "beginning": self.beginning.as_data(),
            "given": [list(given) for given in self.given],
            "remembered": self.remembered,
        }

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts of the job, in the order they are asked about."""
        return self.beginning.parts

    def answer(self, typed: str) -> None:
        """Take the answer to the question that is due; raises `InputError`, with one sentence, if it is refused."""
        if self.question is None:
            raise InputError("the interview is over: there is no question to answer")
        question = self.question
        text = question.text_meant(typed)
        value = question.value_of(text)
        self.given.append(Given(question.key, text))
        self.remembered.pop(question.key, None)
        self._advance(value)

    def back(self, part: str | None = None) -> None:
        """Go to the question before, or to the first one of `part`; the answers gone over are offered again."""
        keep = len(self.given) - 1 if part is None else self._first_of(part)
        if keep < 0:
            raise InputError("this is the first question: there is nothing to go back to")
        taken, offered = self.given[:keep], {**self.remembered, **dict(self.given[keep:])}
        self._start()
        self._take_up(taken, offered)

    def forward(self) -> int:
        """Take the remembered answers as they stand, as far as they fit; return how many were taken."""
        taken = 0
        while self.question and self.question.key in self.remembered:
            try:
                self.answer(self.remembered[self.question.key])
            except InputError:
                break
            taken += 1
        return taken

    def case(self) -> Case:
        """Return the record; raises `RecordError` while it is not whole."""
        return case_from_data(self.data, "the interview")

    def _first_of(self, part: str) -> int:
        """Return how many answers come before the first question of `part`."""
        probe = Interview(self.beginning, self.today, self.known)
        for index, given in enumerate(self.given):
            if probe.question and probe.question.part == part:
                return index
            probe.answer(given.text)
        raise InputError(f"{part} has not been asked yet: expected a part that was answered before this one")

    def _start(self) -> None:
        self.given, self.remembered = [], {}
        self.data = deepcopy(dict(self.beginning.case))
        self._script: Script = script(self.beginning, self.today, self.data, self.known)
        self._advance(None)

    def _take_up(self, answers: list[Given], remembered: Mapping[str, str]) -> None:
        """Feed `answers` while they fit; the rest is remembered, so that nothing confirmed is lost or misread."""
        taken = 0
        for given in answers:
            if not self._fits(given):
                break
            taken += 1
        self.remembered = {**remembered, **dict(answers[taken:])}
        self.remembered.pop(KEEP, None)
        self._offer()

    def _fits(self, given: Given) -> bool:
        if self.question is None or self.question.key != given.key:
            return False
        try:
            self.answer(given.text)
        except InputError:
            return False
        return True

    def _advance(self, value: Any) -> None:
        try:
            self.question = self._script.send(value)
        except StopIteration:
            self.question = None
        self._offer()

    def _offer(self) -> None:
        """Offer the remembered answer to the question that is due, if it is still one that would be taken."""
        if self.question is None or self.question.key not in self.remembered:
            return
        text = self.remembered[self.question.key]
        try:
            self.question.value_of(text)
        except InputError:
            del self.remembered[self.question.key]
            return
        self.question = replace(self.question, default=None if text == SKIP else text)


def state_line(state: Mapping[str, Any]) -> str:
    """Return in one line which interview a draft holds: the vehicle and how far it has come."""
    listed = state.get("given")
    given = [
        pair
        for pair in (listed if isinstance(listed, list) else ())
        if isinstance(pair, list | tuple) and len(pair) == 2
    ]
    answers = {str(key): str(text) for key, text in given}
    vehicle = _inside(_inside(state.get("beginning"), "case"), "vehicle")
    named = (answers.get(f"vehicle.{key}") or _inside(vehicle, key) for key in ("make", "model"))
    words = " ".join(str(word) for word in named if word) or "vehicle not named yet"
    return f"{words}, {len(given)} {'answer' if len(given) == 1 else 'answers'}"


def _inside(data: Any, key: str) -> Any:
    return data.get(key) if isinstance(data, Mapping) else None
