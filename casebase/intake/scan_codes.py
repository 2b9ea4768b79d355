"""Trouble codes within running text, found by their grammar alone, and what the text says of their status.

Letter codes and SPN/FMI count wherever they stand; bytes in hex only right after a word such as "DTC". Plain
numbers never count: they may be dates, odometers or part numbers. A status is read in fixed words of the trade or
as the status byte of ISO 14229-1.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from casebase.errors import CodeError
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.trouble_code import parse_status_byte

_FLAGS: Final = re.IGNORECASE | re.ASCII
_LETTER_CODE: Final = re.compile(
    r"(?<![A-Za-z0-9])([PCBU][0-3][0-9A-F]{3})(?:([-:]?)([0-9A-F]{2}))?"
    r"(?![A-Za-z0-9])(?![-.][0-9][0-9A-Za-z]{2})",
    _FLAGS,
)
_SPACED_FAILURE_TYPE: Final = re.compile(
    r" (?=[A-F]?[0-9])([0-9A-F]{2})(?=\s{0,3}(?:$|[|;,\t\r\n]| {2}))", _FLAGS
)
_CELL_START: Final = re.compile(r"(?:^|[|;,\t\"]| {2}|[:=-] |(?:dtc|code)s?[ :=#])[ \"]{0,3}$", _FLAGS)
_NOT_A_CODE_BEFORE: Final = re.compile(
    r"(?:connector|conn|plug|splice|part|serial|fuse|relay|version|ver)s?[ .]{0,2}(?:no|number|nr)?[ .:#]{0,3}$",
    _FLAGS,
)
_SPN: Final = re.compile(r"(?<![A-Za-z])(SPN|FMI|OC)[\s:=#]{0,4}([0-9]{1,12})(?![0-9A-Za-z])", _FLAGS)
_LABEL: Final = re.compile(r"(?<![A-Za-z])(?:DTC|code)s?(?![A-Za-z0-9])[\s:=#]{0,4}", _FLAGS)
_OTHER_CODES: Final = re.compile(
    r"(?:key|paint|colou?r|engine|radio|security|part|zip|post|model|date|pin|bar|type|country)[ -]$", _FLAGS
)
_HEX: Final = re.compile(
    r"(?:0x[0-9A-F]{8}|0x[0-9A-F]{6}|0x[0-9A-F]{4}"
    r"|(?=[0-9 ]{0,7}[A-F])[0-9A-F]{2}(?: [0-9A-F]{2}){1,3}"
    r"|(?=[0-9]{0,5}[A-F])(?=[A-F]{0,5}[0-9])(?:[0-9A-F]{6}|[0-9A-F]{4}))(?![A-Za-z0-9])",
    _FLAGS,
)
_BETWEEN_HEX: Final = re.compile(r"\s{0,2}[,;]\s{0,3}")
_SUSPECT: Final = re.compile(
    r"(?<![A-Za-z0-9])(?:[PCBU](?=[0-9A-FO]{0,3}[0-9])(?=[0-9]{0,3}O|[4-9])[0-9A-FO]{4}"
    r"|[PU][0-3][0-9A-F]{4})(?:[-:][0-9A-Z]{1,2})?(?![A-Za-z0-9])",
    _FLAGS,
)
_LABELLED_TOKEN: Final = re.compile(
    r"(?=[A-Za-z]{0,8}[0-9])[A-Za-z0-9][A-Za-z0-9-]{2,15}(?![A-Za-z0-9])", re.ASCII
)


@dataclass(frozen=True, slots=True)
class FoundCode:
    """A code within a line: the span of characters that holds it, and the code."""

    start: int
    end: int
    code: TroubleCode


def codes_in_line(line: str) -> list[FoundCode]:
    """Return the codes in one line, in order; their spans do not overlap."""
    candidates = (*_letter_codes(line), *_spn_codes(line), *_labelled_bytes(line))
    codes: list[FoundCode] = []
    for candidate in sorted(candidates, key=lambda code: code.start):
        if not codes or candidate.start >= codes[-1].end:
            codes.append(candidate)
    return codes


def looks_unread(line: str, found: list[FoundCode]) -> bool:
    """Return whether something beside the codes found looks as if it was meant to be one."""
    pieces, end = [], 0
    for code in found:
        pieces.append(line[end : code.start])
        end = code.end
    rest = " ~ ".join((*pieces, line[end:]))
    if _SUSPECT.search(rest):
        return True
    names = [name[1].upper() for name in _SPN.finditer(rest)]
    return "SPN" in names or any(
        _LABELLED_TOKEN.match(rest, label.end()) or _HEX.match(rest, label.end()) for label in _labels(rest)
    )


def _parsed(text: str) -> TroubleCode | None:
    try:
        return parse_code(text)
    except CodeError:
        return None


def _letter_codes(line: str) -> Iterator[FoundCode]:
    last_end = -1
    for match in _LETTER_CODE.finditer(line):
        start, end = match.span()
        in_number = (
            start > 1 and line[start - 1] in "-._" and line[start - 2].isdigit() and last_end != start - 1
        )
        last_end = end
        if in_number or _NOT_A_CODE_BEFORE.search(line[max(0, start - 24) : start]):
            continue
        text = match[0]
        opens_cell = bool(_CELL_START.search(line[max(0, start - 8) : start]))
        if match[3] and not match[2] and not (opens_cell or text[0] in "Uu"):
            continue
        spaced = _SPACED_FAILURE_TYPE.match(line, end) if opens_cell and not match[3] else None
        if spaced:
            text, end = f"{text}-{spaced[1]}", spaced.end()
        code = _parsed(text)
        if code:
            yield FoundCode(start, end, code)


def _spn_codes(line: str) -> Iterator[FoundCode]:
    """Yield each SPN with the FMI that follows before the next SPN, and the count that follows that."""
    parts = list(_SPN.finditer(line))
    names = [part[1].upper() for part in parts]
    for index in range(len(parts) - 1):
        if names[index : index + 2] != ["SPN", "FMI"]:
            continue
        spn, fmi = parts[index], parts[index + 1]
        last, text = fmi, f"SPN {spn[2]} FMI {fmi[2]}"
        if names[index + 2 : index + 3] == ["OC"] and parts[index + 2].start() - fmi.end() < 10:
            last = parts[index + 2]
            text += f" OC {last[2]}"
        code = _parsed(text)
        if code:
            yield FoundCode(spn.start(), last.end(), code)


def _labels(line: str) -> Iterator[re.Match[str]]:
    for label in _LABEL.finditer(line):
        if not _OTHER_CODES.search(line[max(0, label.start() - 10) : label.start()]):
            yield label


def _labelled_bytes(line: str) -> Iterator[FoundCode]:
    for label in _labels(line):
        match = _HEX.match(line, label.end())
        while match:
            # Four bytes may be SPN and FMI, or a letter code with its status byte: only the first may be read.
            code = _parsed(match[0]) if match[0].count(" ") < 3 else None
            if code:
                yield FoundCode(*match.span(), code)
            between = _BETWEEN_HEX.match(line, match.end())
            match = _HEX.match(line, between.end()) if between else None


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
"""Words of the trade for the status of a code, and the one word stored for each (common practice, no source)."""

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
