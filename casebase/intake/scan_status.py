"""What a scan report says of a code's status, in fixed words or as the status byte of ISO 14229-1."""

from __future__ import annotations

import re
from typing import Final

from casebase.record.status_byte import parse_status_byte

_STATUS_WORDS: Final = {
    "confirmed": "confirmed",
    "pending": "pending",
    "stored": "stored",
    "history": "history",
    "historic": "history",
    "historical": "history",
    "past": "history",
    "current": "current",
    "present": "current",
    "active": "active",
    "inactive": "inactive",
    "intermittent": "intermittent",
    "sporadic": "intermittent",
    "permanent": "permanent",
    "unconfirmed": "not confirmed",
}
"""Words of the trade for the status of a code, and the one word kept for each (common practice, no source)."""

_CLEAR_IN_TEXT: Final = frozenset({"confirmed", "pending", "stored", "history", "intermittent", "permanent"})
"""Words that say a status at the end of a sentence too; "current" and "active" may belong to the sentence."""

_JOINING: Final = frozenset(
    {"status", "state", "and", "is", "code", "codes", "dtc", "dtcs", "fault", "faults"}
)
_CODE_WORDS: Final = frozenset({"code", "codes", "dtc", "dtcs", "fault", "faults"})
_WORD: Final = re.compile(r"[A-Za-z]+|[0-9]+")
_PHRASES: Final = (
    (re.compile(r"\bpreviously active\b", re.IGNORECASE), "inactive"),
    (re.compile(r"\bnot active\b", re.IGNORECASE), "inactive"),
    (re.compile(r"\bnot (?:present|current)\b", re.IGNORECASE), "inactive"),
    (re.compile(r"\bnot confirmed\b", re.IGNORECASE), "unconfirmed"),
)
_BYTE_IN_TEXT: Final = re.compile(
    r"\b(?:status|state)(?: byte)?[\s:=]{1,4}(?:0x)?([0-9A-F]{2})(?:\s?h)?(?![0-9A-Za-z])", re.IGNORECASE
)
_BYTE_ALONE: Final = re.compile(rf"(?:{_BYTE_IN_TEXT.pattern}|0x([0-9A-F]{{2}}))", re.IGNORECASE)
_BYTE_AFTER_CODE: Final = re.compile(
    r"(?:-(?:0x)?|\s?[\[(]\s?(?:0x|(?=0|.?[A-F])))([0-9A-F]{2})[\])]?(?![0-9A-Za-z])", re.IGNORECASE
)
"""In brackets a plain number such as (12) is a count, unless it looks like hex."""

_LAST_WORD: Final = re.compile(r"[\s,;:(\[-]{1,3}([A-Za-z]{6,12})[\s.)\]]{0,3}$")
_LONGEST_STATUS: Final = 60


def status_of_cell(cell: str) -> str | None:
    """Return the status that a cell says if it says nothing else: `confirmed, pending`."""
    if not cell or len(cell) > _LONGEST_STATUS:
        return None
    byte = _BYTE_ALONE.fullmatch(cell.strip())
    if byte:
        return _byte_in_words(byte[1] or byte[2])
    for phrase, word in _PHRASES:
        cell = phrase.sub(word, cell)
    words = [word.lower() for word in _WORD.findall(cell) if not word.isdigit() or len(word) > 3]
    said = [_STATUS_WORDS[word] for word in words if word in _STATUS_WORDS]
    nothing_else = all(word in _STATUS_WORDS or word in _JOINING for word in words)
    return ", ".join(dict.fromkeys(said)) if said and nothing_else else None


def status_of_section(line: str) -> str | None:
    """Return the status of a line such as "Stored codes:" that speaks of the codes below it."""
    words = {word.lower() for word in _WORD.findall(line[:_LONGEST_STATUS])}
    return status_of_cell(line) if words & _CODE_WORDS else None


def status_byte_in(text: str) -> tuple[str, int, int] | None:
    """Return the status byte in running text, in words, and its span."""
    found = _BYTE_IN_TEXT.search(text)
    return (_byte_in_words(found[1]), *found.span()) if found else None


def status_byte_after(text: str) -> tuple[str, int] | None:
    """Return the status byte right after a code, `-2F` or `[2F]`, in words, and where it ends."""
    found = _BYTE_AFTER_CODE.match(text)
    return (_byte_in_words(found[1]), found.end()) if found else None


def status_at_end(text: str) -> tuple[str, int] | None:
    """Return the status that a sentence ends with, and where that begins."""
    found = _LAST_WORD.search(text[-20:])
    if not found or found[1].lower() not in _CLEAR_IN_TEXT:
        return None
    return _STATUS_WORDS[found[1].lower()], max(0, len(text) - 20) + found.start()


def _byte_in_words(digits: str) -> str:
    return parse_status_byte(digits).describe()
