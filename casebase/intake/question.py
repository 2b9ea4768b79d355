"""One question of the interview, what the parts of its script share, and what the library offers while one types."""

from __future__ import annotations

from collections.abc import Callable, Generator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

from casebase.errors import InputError
from casebase.intake.answers import Reader

SKIP: Final = "-"
"""What is typed to leave a field empty although something is offered for it; also how a skip stands in a draft."""


@dataclass(frozen=True)
class Question:
    """One question: `read` turns the text typed into a value, or raises `InputError` with one sentence.

    `key` names the answer within the interview (`readings[2].value`), `part` the part of the job it belongs to.
    `default` is offered as if typed. `words` are fixed words that may be given by number or by their beginning;
    `known` are names that the library holds, offered and not binding.
    """

    key: str
    part: str
    prompt: str
    read: Callable[[str], Any]
    example: str = ""
    help: str = ""
    default: str | None = None
    words: tuple[str, ...] = ()
    known: Sequence[str] = ()
    required: bool = False
    several_lines: bool = False
    notes: tuple[str, ...] = ()
    so_far: int | None = None

    def value_of(self, text: str) -> Any:
        """Return the value of `text`; None where it is skipped. Raises `InputError` when it is refused."""
        if text != SKIP:
            return self.read(text)
        if self.required:
            raise InputError(f"this one is needed: expected {self.example or self.prompt}")
        return None

    def text_meant(self, typed: str) -> str:
        """Return what `typed` stands for: the default or a skip where nothing was typed."""
        return typed.strip() or self.default or SKIP


Data: TypeAlias = dict[str, Any]
"""The plain data of a record, or of a part of one, while it is being asked for."""

Script: TypeAlias = Generator[Question, Any, None]
"""A part of the interview: yields questions, is sent their values, writes into the data of the record."""

Asked: TypeAlias = Generator[Question, Any, Any]
"""A question within a script that hands its value on."""


def put(holder: MutableMapping[str, Any], key: str, question: Question) -> Asked:
    """Ask `question` and write its value under `key` of `holder`, unless it was skipped."""
    value = yield question
    if value is not None:
        holder[key] = value
    return value


MOST_OFFERED: Final = 12


@dataclass(frozen=True)
class Known:
    """Names that the library holds, the most usual first; `distance_unit` is that of its newest odometer."""

    vehicles: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Make to models."""
    platforms: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Make to platforms."""
    modules: Sequence[str] = ()
    distance_unit: str = "km"

    @property
    def makes(self) -> tuple[str, ...]:
        """The makes."""
        return tuple(self.vehicles)

    def models_of(self, make: str) -> tuple[str, ...]:
        """Return the models of a make."""
        return tuple(self.vehicles.get(make, ()))

    def platforms_of(self, make: str) -> tuple[str, ...]:
        """Return the platforms of a make."""
        return tuple(self.platforms.get(make, ()))

    @staticmethod
    def spelled(read: Reader, names: Sequence[str]) -> Reader:
        """Return a reader that writes a known name as the library does: `skarn` is Skarn."""
        by_folded = {name.casefold(): name for name in names}
        return lambda text: by_folded.get(text.casefold()) or read(text)
