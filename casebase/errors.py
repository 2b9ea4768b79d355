"""Everything casebase refuses, as one small tree.

CasebaseError                 base: one clear sentence for the user, exit code 2
├── InputError                something given does not fit: where, what, what was expected
│   ├── CodeError             a trouble code that fits no grammar
│   └── QuantityError         a value whose number or unit cannot be read
├── RecordError               a record file that does not fit the format; carries every problem found
├── LibraryError              the library file: missing, too new, damaged, an unknown or ambiguous ID
├── EditionError              a frozen file: nothing to freeze, not readable, made by another casebase
├── BundleError               a bundle between shops: nothing to write, damaged, a trap, made by another casebase
├── ExchangeError             a hub over the network: not reached, lets nobody in, takes nothing; what to do then
├── CaptureError              a capture or log that cannot be read, or tells too little for what is asked of it
└── ModelError                the text model: not installed, damaged, without the needed files, out of reach
"""

from __future__ import annotations

from dataclasses import dataclass


def shown(text: str) -> str:
    r"""Return a text as a terminal may have it: what would be a command to the terminal becomes a question mark.

    >>> shown("stall\x1b[2J")
    'stall?[2J'
    """
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() or letter.isspace() else "?" for letter in text)


class CasebaseError(Exception):
    """Base of everything casebase refuses; its text is one sentence a technician can act on."""


class InputError(CasebaseError, ValueError):
    """Something given does not fit what was expected.

    It is a `ValueError` too, so that pydantic turns it into a problem of the field it was raised for.
    """


class CodeError(InputError):
    """A trouble code that fits no grammar."""


class QuantityError(InputError):
    """A value whose number or unit cannot be read."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a record file: where it stands, what stands there, what was expected."""

    field: str
    value: str
    expected: str
    line: int | None = None
    suggestion: str | None = None

    def sentence(self) -> str:
        """Return the problem as one sentence of printable characters."""
        where = f"line {self.line}, {self.field}" if self.line else self.field
        found = f" is {self.value}" if self.value else ""
        hint = f"did you mean '{self.suggestion}'? " if self.suggestion else ""
        expected = f"{self.expected[:1].upper()}{self.expected[1:]}" if hint else self.expected
        return "".join(
            letter if letter.isprintable() else "?" for letter in f"{where}{found}: {hint}{expected}"
        )


class RecordError(CasebaseError):
    """A record file that does not fit the format; `problems` lists all that was found."""

    def __init__(self, source: str, problems: list[Problem]) -> None:
        self.source = source
        self.problems = problems
        super().__init__("\n".join(f"{source}: {problem.sentence()}" for problem in problems))


class LibraryError(CasebaseError):
    """The library file: missing, too new, damaged, an unknown or ambiguous ID."""


class ModelError(CasebaseError):
    """The text model: not installed, damaged, without the needed files, out of reach."""


class EditionError(CasebaseError):
    """A frozen file: nothing to freeze, not readable, made by another casebase."""


class BundleError(CasebaseError):
    """A bundle between shops: nothing to write, damaged, a trap, made by another casebase."""


class ExchangeError(CasebaseError):
    """A hub over the network: not reached, lets nobody in, takes nothing; what to do then."""


class CaptureError(CasebaseError):
    """A capture or log that cannot be read, or tells too little for what is asked of it."""
