"""The interview in a terminal: asks, reads, shows help, keeps the draft, and says what was kept of it.

It knows nothing of what is asked: questions, their order and their checks stand in `intake`.
"""

from __future__ import annotations

import json as json_module
import select
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from datetime import date
from itertools import zip_longest
from pathlib import Path
from typing import Final

import typer
from rich.columns import Columns
from rich.console import Console
from rich.text import Text

from casebase.errors import CasebaseError, InputError
from casebase.intake.draft import Draft, draft_files, draft_line, new_draft, resume
from casebase.intake.interview import Interview
from casebase.intake.question import MOST_OFFERED, Known, Question
from casebase.intake.script import Beginning
from casebase.library.store import Library, Logged, Outcome
from casebase.record.case import Case, status_of
from casebase.record.checks import remarks_on
from casebase.record.json_form import plain_data
from casebase.record.layout import Layout
from casebase.record.vocabulary import Status
from casebase.record.words import title_of
from casebase.terminal.page import Page

LineReader = Callable[[str], str]
"""Shows a prompt and returns the line typed; raises `EOFError` at the end of input. `input` is one."""

_WELCOME: Final = (
    "Enter skips a question or takes what stands in [ ]; - leaves it empty; ? helps.",
    "back: question before; back vehicle: that part again; forward: on as before.",
    "stop: leave, the draft is kept.",
)
_LONGEST_DEFAULT: Final = 60
_MOST_SHOWN: Final = 20
_END_OF_PASTE: Final = "."
_PASTE_PAUSE_SECONDS: Final = 0.4
"""Pasted lines follow one another at once, over a slow connection after a moment; nobody types the next that soon."""


class _Stop(Exception):  # noqa: N818  nothing went wrong
    """The person leaves; the draft stays."""


def hold_interview(
    interview: Interview, draft: Draft | None, console: Console, read_line: LineReader | None = None
) -> Case | None:
    """Hold `interview` until the record is kept (returned) or the person stops (None); the draft stays either way.

    Remove the draft once the record is stored. The end of input and Ctrl-C count as `stop`.
    """
    _prepare_line_editing(lambda: _offered(interview.question))
    _say(console, *_WELCOME, *_resumed(interview))
    conversation = _Conversation(interview, draft, console, read_line or _typed_line)
    try:
        conversation.hold()
    except (_Stop, EOFError, KeyboardInterrupt):
        conversation.leave()
        return None
    except InputError:
        conversation.leave()
        raise
    return interview.case()


def _resumed(interview: Interview) -> list[str]:
    told = [f"Going on after {_answers(len(interview.given))}."] if interview.given else []
    if interview.misfits:
        told.append(f"{_answers(interview.misfits)} no longer fit their place: offered again where they do.")
    return told


def _answers(count: int) -> str:
    return f"{count} {'answer' if count == 1 else 'answers'}"


def _prepare_line_editing(offered: Callable[[], Sequence[str]]) -> None:
    """Let the arrow keys work where somebody types, and the tabulator write out what is `offered`."""
    if sys.stdin is None or not sys.stdin.isatty():
        return
    with suppress(ImportError):
        import readline  # noqa: PLC0415  importing it is what switches it on

        def completed(begun: str, number: int) -> str | None:
            fitting = [name for name in offered() if name.casefold().startswith(begun.casefold())]
            return fitting[number] if number < len(fitting) else None

        readline.set_completer(completed)
        readline.set_completer_delims(",;\n")
        readline.parse_and_bind("tab: complete")


def _offered(question: Question | None) -> tuple[str, ...]:
    return (*question.known, *question.words) if question else ()


def _say(console: Console, *lines: str) -> None:
    for line in lines:
        console.print(Text(line))


MOST_REFUSED: Final = 200
MOST_ANSWERS: Final = 20_000
MOST_PASTED: Final = 5_000_000
"""Lines in a row that are no answer, answers, characters of one: above it a program writes, and may never end."""


class _Conversation:
    """One interview being held: what was shown already, what to do with a line typed."""

    def __init__(
        self, interview: Interview, draft: Draft | None, console: Console, read_line: LineReader
    ) -> None:
        self.interview = interview
        self.draft = draft
        self.console = console
        self.read_line = read_line
        self.heading = ""
        self.shown_key = ""

    def hold(self) -> None:
        """Ask until the interview is over; raises `_Stop`, `EOFError` or `KeyboardInterrupt`."""
        refused = 0
        while self.interview.question is not None:
            question, given = self.interview.question, len(self.interview.given)
            self._show(question)
            self._take(question, self._read(question))
            refused = refused + 1 if len(self.interview.given) == given else 0
            if refused > MOST_REFUSED or len(self.interview.given) > MOST_ANSWERS:
                raise _endless(f"{refused} lines without an answer" if refused else f"{given} answers")

    def leave(self) -> None:
        """Say where the answers are; an answer that an interruption kept from the draft is saved now."""
        answers = _answers(len(self.interview.given))
        if self.draft is None or not self.interview.given:
            _say(self.console, "", f"Stopped after {answers}; nothing was kept.")
            return
        self._save()
        self.draft.release()
        _say(self.console, "", f"Stopped. {answers} kept in {self.draft.path}")

    def _show(self, question: Question) -> None:
        """Show the part, notes and words, once; a question asked again after a refusal shows only its prompt."""
        heading = self._heading_of(question)
        if heading != self.heading:
            _say(self.console, "", heading)
            self.heading = heading
        if question.key != self.shown_key:
            self.shown_key = question.key
            _say(self.console, *question.notes)
            _show_words(self.console, question)
            if question.example and not question.words and question.default is None and not question.so_far:
                _say(self.console, f"  such as: {question.example}")
            if question.known:
                _say(self.console, f"  known here: {', '.join(question.known[:MOST_OFFERED])}")

    def _heading_of(self, question: Question) -> str:
        parts = self.interview.parts
        so_far = f", {question.so_far} so far" if question.so_far else ""
        return f"Part {parts.index(question.part) + 1} of {len(parts)}: {question.part}{so_far}"

    def _read(self, question: Question) -> str:
        try:
            line = self.read_line(_prompt_of(question))
            if question.several_lines and line.strip() and not self._is_command(line):
                return self._rest_of_paste(line)
        except UnicodeDecodeError:
            _say(self.console, "That is not UTF-8 text: type it again.")
            return "?"
        return line

    def _rest_of_paste(self, first: str) -> str:
        """Return `first` and the lines after it, up to an empty one that nothing follows at once."""
        lines = [first]
        left = MOST_PASTED - len(first)
        while True:
            try:
                line = self.read_line("")
            except EOFError:
                break
            if line.strip() == _END_OF_PASTE or not (line.strip() or _more_is_waiting()):
                break
            lines.append(line)
            left -= len(line) + 1
            if left < 0:
                raise _endless(f"more than {MOST_PASTED} characters in one answer")
        return "\n".join(lines)

    def _is_command(self, line: str) -> bool:
        word, _, rest = " ".join(line.split()).casefold().partition(" ")
        return (word in {"?", "back", "stop", "forward"} and not rest) or (
            word == "back" and rest in self._parts()
        )

    def _parts(self) -> dict[str, str]:
        return {part.casefold(): part for part in self.interview.parts}

    def _take(self, question: Question, line: str) -> None:
        command = " ".join(line.split()).casefold() if self._is_command(line) else ""
        if command == "?":
            _show_help(self.console, question)
            return
        try:
            self._obey(command) if command else self.interview.answer(line)
        except InputError as error:
            _say(self.console, f"  {_sentence(str(error))}")
            return
        self._save()

    def _obey(self, command: str) -> None:
        if command == "stop":
            raise _Stop
        if command == "forward":
            taken = self.interview.forward()
            _say(self.console, f"  {_answers(taken)} taken as before.")
        else:
            self.interview.back(self._parts().get(command.removeprefix("back").strip()))
        self.shown_key = ""

    def _save(self) -> None:
        if self.draft is None:
            return
        try:
            self.draft.save(self.interview.state())
        except CasebaseError as error:
            _say(self.console, f"  {_sentence(str(error))}")


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _prompt_of(question: Question) -> str:
    default = question.default
    if default is None:
        return f"{question.prompt}: "
    lines = default.splitlines()
    shown = f"the {len(lines)} lines given before" if len(lines) > 1 else default
    shortened = shown if len(shown) <= _LONGEST_DEFAULT else f"{shown[: _LONGEST_DEFAULT - 3]}..."
    return f"{question.prompt} [{shortened}]: "


def _show_words(console: Console, question: Question) -> None:
    """Show fixed words with their numbers: a long list in two columns where these fit, for the eye follows one down."""
    numbered = [f"{number} {word}" for number, word in enumerate(question.words, 1)]
    half = (len(numbered) + 1) // 2
    for split in (half, half - 1, half + 1) if len(numbered) > _MOST_SHOWN else ():
        left, right = numbered[:split], numbered[split:]
        width = max(map(len, left)) + 1
        if width + max(map(len, right)) <= console.width:
            pairs = zip_longest(left, right, fillvalue="")
            return _say(console, *(f"{one:<{width}}{other}".rstrip() for one, other in pairs))
    if numbered:
        console.print(
            Columns([Text(word) for word in numbered], padding=(0, 3), column_first=True, expand=False)
        )
    return None


def _typed_line(prompt: str) -> str:
    """Return the next line of the input; of one that is piped in no more than anybody could mean."""
    if sys.stdin.isatty():
        return input(prompt)
    print(prompt, end="", flush=True)
    line = sys.stdin.readline(MOST_PASTED + 1)
    if not line:
        raise EOFError
    if len(line) > MOST_PASTED:
        raise _endless(f"more than {MOST_PASTED} characters in one answer")
    return line.removesuffix("\n")


def _endless(what: str) -> InputError:
    return InputError(f"{what}: this does not come from a person: the interview was left")


def _show_help(console: Console, question: Question) -> None:
    told = [question.help] if question.help else []
    if question.words:
        told.append("A word may be given by its number or its beginning.")
    if question.example:
        told.append(f"Example: {question.example}")
    told += [
        "This one is needed."
        if question.required
        else "May be left out: Enter, or - where [ ] offers something."
    ]
    told += _WELCOME[1:]
    _say(console, *(f"  {line}" for line in told))
    _show_words(console, question)


def _more_is_waiting() -> bool:
    """Return whether more of a paste has already arrived; never where the input is no terminal."""
    try:
        return sys.stdin.isatty() and _key_waits()
    except (OSError, ValueError):
        return False


def _key_waits() -> bool:
    if sys.platform != "win32":
        return bool(select.select([sys.stdin], [], [], _PASTE_PAUSE_SECONDS)[0])
    import msvcrt  # noqa: PLC0415  there is none elsewhere

    until = time.monotonic() + _PASTE_PAUSE_SECONDS
    while not msvcrt.kbhit() and time.monotonic() < until:  # select knows nothing but sockets there
        time.sleep(_PASTE_PAUSE_SECONDS / 10)
    return msvcrt.kbhit()


def log_by_asking(  # noqa: PLR0913, PLR0917  where to keep and to print it, and what is known before the first question
    library: Library,
    drafts: Path,
    page: Page,
    author: str | None,
    case_id: str | None,
    begun: Case | None = None,
) -> None:
    """Ask for one record, or go on with a draft, an open job or what was told already, and keep it in `library`.

    The draft goes only when the library has confirmed the record.
    """
    interview, draft = _begin(library, drafts, author, case_id, begun)
    case = hold_interview(interview, draft, Console(highlight=False, markup=False, emoji=False))
    if case is None:
        return
    case = case.model_copy(update={"id": interview.beginning.case_id})
    logged = library.log([case])
    print_logged(logged, [case], page)
    page.line(f"Pictures and text files go with it by casebase attach {logged[0].case_id} FILE", 4)
    draft.remove()


def _begin(
    library: Library, drafts: Path, author: str | None, case_id: str | None, begun: Case | None
) -> tuple[Interview, Draft]:
    today = date.today()
    known = _known_in(library)
    if begun is not None:
        beginning = Beginning(today, begun.kind, author, library.last_shop(), plain_data(begun))
        return Interview(beginning, today, known), new_draft(drafts)
    if case_id is not None:
        kept = library.get_there(case_id)
        beginning = Beginning(today, kept.case.kind, author, None, plain_data(kept.case), kept.case_id)
        return Interview(beginning, today, known), new_draft(drafts)
    left = draft_files(drafts)
    chosen = _chosen_draft(left) if left else None
    if chosen is not None:
        return resume(chosen, today, known)
    beginning = Beginning(today, author=author, shop=library.last_shop())
    return Interview(beginning, today, known), new_draft(drafts)


def _known_in(library: Library) -> Known:
    """Return what the library's records name, to be offered while somebody types."""
    models, platforms = defaultdict[str, list[str]](list), defaultdict[str, list[str]](list)
    for make, model, platform in library.vehicles_and_platforms():
        for names, name in ((models[make], model), (platforms[make], platform)):
            if name and name not in names:
                names.append(name)
    unit = (library.last_odometer() or "km").split()[-1]
    return Known(models, platforms, library.module_names(MOST_OFFERED), unit)


def _chosen_draft(left: list[Path]) -> Path | None:
    """Return the draft that the person wants to go on with; None for a new record."""
    typer.echo("Left unfinished:")
    for number, path in enumerate(left, start=1):
        typer.echo(f"  {number}  {draft_line(path)}")
    for _ in range(MOST_REFUSED):
        try:
            answer = input("Go on with which one? Its number, or Enter for a new record: ").strip()
        except EOFError:
            raise InputError("no answer: type the number of a draft, or Enter for a new record") from None
        if not answer:
            return None
        if answer.isdecimal() and 1 <= int(answer) <= len(left):
            return left[int(answer) - 1]
        typer.echo(f"'{answer}' is none of these: expected 1 to {len(left)}, or Enter for a new record.")
    raise _endless(f"{MOST_REFUSED} lines without an answer")


def print_logged_json(logged: list[Logged]) -> None:
    """Print what became of each record as JSON."""
    typer.echo(json_module.dumps([asdict(one) for one in logged], ensure_ascii=False, indent=2))


_HOW_IT_COUNTS: Final[dict[Status | None, str]] = {
    Status.OPEN: "open: no stuck job is compared with it until it has a cause and a fix",
    Status.FIXED_NOT_PROVEN: "stuck jobs are compared with it, at less weight than with a verified case",
}


def print_logged(logged: list[Logged], records: Sequence[Case | Layout], page: Page) -> None:
    """Say what became of each record, and what to look at twice."""
    for one, case in list(zip(logged, records, strict=True))[:_MOST_SHOWN]:
        if isinstance(case, Layout):
            page.line(f"{_said(one)}: layout, {case.name()}", 0, 4)
            continue
        page.line(f"{_said(one)}: {title_of(case)}", 0, 4)
        standing = _HOW_IT_COUNTS.get(status_of(case))
        for remark in remarks_on(case) if one.outcome is not Outcome.ALREADY_THERE else []:
            page.line(f"- {remark}", 4, 6)
        if standing and one.outcome is not Outcome.ALREADY_THERE:
            page.line(f"- {standing}", 4, 6)
    if len(logged) > _MOST_SHOWN:
        kept = sum(one.outcome is not Outcome.ALREADY_THERE for one in logged)
        page.line(f"... {len(logged)} records given, {kept} kept, {len(logged) - kept} already there.")


def _said(one: Logged) -> str:
    if one.outcome is Outcome.REVISED:
        return f"Kept as revision {one.revision} of {one.case_id}"
    return f"{'Already there' if one.outcome is Outcome.ALREADY_THERE else 'Kept'} as {one.case_id}"
