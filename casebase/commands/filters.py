"""Filters for the list of cases, checked against the words that can occur."""

from __future__ import annotations

from datetime import date
from difflib import get_close_matches

from casebase.errors import CodeError, InputError
from casebase.match.index.collection import Narrowing
from casebase.record.codes import parse_code
from casebase.record.modules import module_key
from casebase.record.vocabulary import Fault, Kind, Medium, Status
from casebase.record.word_list import Word


def list_filters(**given: str | None) -> dict[str, str | None]:
    """Return the filters given, words made whole; raise `InputError` for a word that no list has."""
    wanted = {key: value for key, value in given.items() if value}
    return {key: _made_whole(key, value) for key, value in wanted.items()}


def narrowing_of(  # noqa: PLR0913  one per aspect
    *,
    medium: str | None = None,
    make: str | None = None,
    status: str | None = None,
    shop: str | None = None,
    since: str | None = None,
    until: str | None = None,
) -> Narrowing:
    """Return which cases may be compared; raise `InputError` for a word that no list has, or a day that is none."""
    return Narrowing(
        medium=Medium(_word("medium", medium, Medium)) if medium else None,
        make=make,
        status=Status(_word("status", status, Status)) if status else None,
        shop=shop,
        since=_day("since", since),
        until=_day("until", until),
    )


def _day(option: str, text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise InputError(f"--{option} '{text}': expected a day such as 2026-03-14") from None


def _made_whole(key: str, value: str) -> str:
    words: dict[str, type[Word]] = {"fault": Fault, "status": Status, "kind": Kind}
    if key in words:
        return _word(key, value, words[key])
    if key == "module":
        return module_key(value) or value
    return _code(value) if key == "code" else value


def _word(key: str, value: str, words: type[Word]) -> str:
    try:
        return str(words(value))
    except ValueError:
        listed = [str(word) for word in words]
        close = get_close_matches(value.casefold(), listed, n=1, cutoff=0.5)
        hint = f" Did you mean '{close[0]}'?" if close else ""
        raise InputError(f"--{key} '{value}': expected one of {', '.join(listed)}.{hint}") from None


def _code(value: str) -> str:
    try:
        return parse_code(value).text
    except CodeError as error:
        raise InputError(f"--code: {error}") from None
