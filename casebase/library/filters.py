"""Filters for the list of cases, checked against the words that can occur."""

from __future__ import annotations

from difflib import get_close_matches

from casebase.errors import CodeError, InputError
from casebase.record.codes import parse_code
from casebase.record.modules import module_key
from casebase.record.vocabulary import Fault, Kind, Status
from casebase.record.word import Word


def list_filters(**given: str | None) -> dict[str, str | None]:
    """Return the filters given, words made whole; raise `InputError` for a word that no list has."""
    wanted = {key: value for key, value in given.items() if value}
    return {key: _made_whole(key, value) for key, value in wanted.items()}


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
