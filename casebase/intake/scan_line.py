"""One line of a scan report: its cells, labels and columns, and the module it belongs to, heads or calls silent."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from casebase.record.codes import TroubleCode
from casebase.record.modules import module_key, modules_named_in

MOST_CELLS: Final = 16
"""More cells than this in one line are not looked at, so that a line of any length is read in time."""

_BETWEEN_CELLS: Final = re.compile(
    r"\s{0,8}[|;\t,]\s{0,8}|\s{1,4}[-\u2013\u2014>]{1,3}\s{1,4}|:\s{1,4}| {2,40}"
)
_COLUMN_SEPARATORS: Final = (
    re.compile(r"\s{0,20}\|\s{0,20}"),
    re.compile(r" {0,20}\t {0,20}"),
    re.compile(r"\s{0,20};\s{0,20}"),
    re.compile(r"\s{0,20},\s{0,20}"),
    re.compile(r" {2,80}"),
)
_AROUND: Final = " \t\r\"'*#=_~-\u2013\u2014>.,;:|\u2022\u00b7"
_BRACKETS: Final = ("()", "[]", "<>", "{}")
_LABELS: Final = {
    "control module": "module",
    "control unit": "module",
    "module name": "module",
    "module": "module",
    "ecu name": "module",
    "ecu": "module",
    "reported by": "module",
    "controller": "system",
    "system": "system",
    "source": "system",
    "node": "system",
    "status": "status",
    "state": "status",
    "description": "text",
    "meaning": "text",
    "text": "text",
}
_LABELLED: Final = re.compile(
    r"[\s\"*#>|-]{0,12}(" + "|".join(_LABELS) + r")(?:\s?/\s?[^\W\d_]{2,20}){0,2}"
    r"[ \"*]{0,4}(?:[:=|\t]|,(?=\s?\"))[\s\"]{0,8}",
    re.IGNORECASE,
)
_COLUMNS: Final = {
    "module": (
        "module",
        "control module",
        "module name",
        "ecu",
        "control unit",
        "controller",
        "system",
        "source",
    ),
    "code": ("code", "dtc", "codes", "dtcs", "fault code", "trouble code", "error code", "fault"),
    "text": ("text", "description", "meaning", "fault text"),
    "status": ("status", "state", "code status", "status byte"),
    "spn": ("spn",),
    "fmi": ("fmi",),
    "count": ("oc", "count", "occurrences", "occurrence count"),
}


@dataclass(frozen=True, slots=True)
class Cell:
    """A piece of a line between separators, without decoration, and its span."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns that a table's heading names, by what they hold."""

    separator: re.Pattern[str]
    count: int
    place: dict[str, int]

    def cells(self, line: str) -> dict[str, str]:
        """Return the cells of a row by what they hold; empty if the row does not have the heading's columns."""
        row = _row(line, self.separator)
        if len(row) != self.count:
            return {}
        return {name: row[index].strip(" \"'") for name, index in self.place.items()}


def bare(text: str) -> str:
    """Return `text` without the decoration around it: bullets, rules, quotes, brackets around the whole."""
    text = text.strip(_AROUND)
    for opening, closing in _BRACKETS:
        if text.startswith(opening) and (opening not in text[1:] or closing not in text):
            text = text[1:].strip(_AROUND)
        if text.endswith(closing) and opening not in text:
            text = text[:-1].strip(_AROUND)
    return text


def cells_of(text: str) -> list[Cell]:
    """Return the first cells of `text`; empty ones are left out."""
    cells: list[Cell] = []
    start = 0
    for between in _BETWEEN_CELLS.finditer(text):
        cells.append(Cell(bare(text[start : between.start()]), start, between.start()))
        start = between.end()
        if len(cells) == MOST_CELLS:
            break
    else:
        cells.append(Cell(bare(text[start:]), start, len(text)))
    return [cell for cell in cells if cell.text]


def label_of(line: str) -> tuple[str, str] | None:
    """Return the label in front of a line and what follows: `Module: ABS` is `module`, `ABS`.

    A label for a module is `module` where any name may follow, `system` where only a known module's may;
    others are `status` and `text`.
    """
    found = _LABELLED.match(line)
    return (_LABELS[found[1].lower()], bare(line[found.end() :])) if found else None


def columns_of(line: str) -> Columns | None:
    """Return the columns that a table's heading names, or None if `line` is no such heading."""
    if len(line) > 400:
        return None
    for separator in _COLUMN_SEPARATORS:
        row = [cell.strip(_AROUND).lower() for cell in _row(line, separator)]
        place = {
            name: row.index(word) for name, words in _COLUMNS.items() for word in words[::-1] if word in row
        }
        if len(row) > 1 and ("code" in place or {"spn", "fmi"} <= place.keys()):
            return Columns(separator, len(row), place)
    return None


def _row(line: str, separator: re.Pattern[str]) -> list[str]:
    inner = line.strip(" \r")
    if separator is _COLUMN_SEPARATORS[0]:
        inner = inner.removeprefix("|").removesuffix("|").strip()
    return separator.split(inner, maxsplit=40)


_SILENT: Final = re.compile(
    r"\bno (?:response|communication|answer|reply|comms)\b(?! (?:fault|error|problem|code|issue))"
    r"|\bnot (?:respond|answer|communicat|reach|reply)[a-z]{0,5}"
    r"|\bunable to (?:communicate|connect)\b|\bcannot be reached\b"
    r"|\bcomm?s?(?:unications?)? (?:error|failure|failed|timeout)(?=\s*$)",
    re.IGNORECASE,
)
"""Ways to say that a module does not answer the tester (common practice, no source)."""

_SPOKEN_OF: Final = re.compile(
    r"\b(?:with|to|by|data from|data received from|messages? from)\s{1,3}(?:the\s{1,3})?$", re.IGNORECASE
)
_STORED_IN: Final = re.compile(
    r"\b(?:(?:stored|set|reported|logged) (?:in|by)|in)\s{1,3}(?:the\s{1,3})?$", re.IGNORECASE
)
_SAYS_STORED: Final = re.compile(
    r"\b(?:stored|set|reported|logged) (?:in|by)\s{1,3}(?:the\s{1,3})?([A-Za-z][\w /-]{1,38}?)\s{0,3}(?:[.,;|]|$)",
    re.IGNORECASE,
)
_IN_BRACKETS: Final = re.compile(r"\s{0,2}\(([A-Za-z][^()]{1,38})\)")
_COUNT_BEHIND: Final = re.compile(
    r"(?:\s{0,3}[(\[:-]\s{0,3}|\s{2,3}|\s?[._]{3,80}\s?)(?:no|[0-9]{1,3})\s{1,3}(?:stored )?(?:codes?|dtcs?"
    r"|faults?)(?:\W.{0,30})?$",
    re.IGNORECASE,
)
_REPORT_WORDS: Final = re.compile(
    r"(?:(?:codes?|dtcs?|faults?|status|result|ok|passed|none|no|stored|found|present|[0-9]{1,3})?[\s:;,.()\[\]"
    r"|=*#-]{1,20}){0,8}"
    r"(?:codes?|dtcs?|faults?|ok|passed|none|stored|found|present|[0-9]{1,3})?",
    re.IGNORECASE,
)
_ADDRESS: Final = re.compile(r"(?:address|addr|node|id|no|nr)?[ .#]{0,2}(?:0x)?[0-9A-F]{1,3}", re.IGNORECASE)
_NUMBER_IN_FRONT: Final = re.compile(
    r"^(?:(?:0x)?[0-9]{1,3}\s{0,3}[-:.)]\s{0,3}|[0-9]{2}\s{1,3}(?=[A-Z])|ecu\s?[0-9]{1,3}\s{1,4}(?=[A-Z]))",
    re.IGNORECASE,
)
_SAYS_MODULE: Final = re.compile(r"\b(?:module|unit|ecu|controller)\b", re.IGNORECASE)
_NO_MODULE: Final = re.compile(
    r"\b(?:codes?|dtcs?|faults?|report|scan|with|from|total|summary|result|number|found|all|status|stored|active"
    r"|pending|confirmed|history|permanent|present|current|text|description|time|date|km|miles|odometer|page|spn|fmi"
    r"|vin|part|serial|freeze|frame|line|and|voltage|signal|lost|communication|error|warning|lamp|is|was|not)\b",
    re.IGNORECASE,
)
_NO_NAMES: Final = frozenset(
    {"status", "result", "response", "communication", "state", "answer", "note", "module"}
)
_LETTERS: Final = re.compile(r"[A-Za-z]")
_CAPITALS: Final = re.compile(r"[A-Z][A-Z0-9]{1,7}")
_LABEL_IN_FRONT: Final = re.compile(
    r"^(?:module|ecu|control unit|control module)\s{0,2}[:=]\s{0,3}", re.IGNORECASE
)
_VERB_BEHIND: Final = re.compile(r"\s(?:answered|answers|reports|reported|has|stores)$", re.IGNORECASE)
_CELL_OF_LABEL: Final = re.compile(
    r"(?:fault |trouble |error )?(?:codes?|dtcs?|faults?)[ :=#]{0,4}", re.IGNORECASE
)
_MARKED: Final = re.compile(
    r"\s{0,8}(?:\[[^\[\]]{2,60}\]|[=*#~-]{2,60}\s[^=*#~]{2,60}\s[=*#~-]{2,60})\s{0,8}"
)
"""A heading that its decoration marks: `[QZ4]`, `=== QZ4 ===`."""
_WITH_ADDRESS: Final = re.compile(
    r"\s{0,8}(?:(?:address|addr|node|id)[ .#]{0,2}(?:0x)?[0-9A-F]{1,3}\s{0,2}[:\s-]|(?:0x)?[0-9A-F]{2}\s{1,2}[-:]\s)"
    r"\s{0,3}(?P<name>[^\t|;]{2,60}?)(?:\s{2,}.*)?",
    re.IGNORECASE,
)
_LONGEST_HEADING: Final = 80
_LONGEST_NAME: Final = 40
_MOST_WORDS: Final = 4
_LOOK_BACK: Final = 200
_LOOK_AHEAD: Final = 400


def module_in_front(prefix: str) -> str | None:
    """Return the module named before the first code of a line, as written."""
    prefix = prefix[-_LOOK_BACK:]
    cells = cells_of(prefix)
    for cell in reversed(cells):
        if module_key(cell.text):
            return _without_number(cell.text)
    named = [name for name in modules_named_in(prefix) if not _SPOKEN_OF.search(prefix[: name.start])]
    if named:
        return prefix[named[-1].start : named[-1].end]
    return _unknown_module(cells[-1].text) if cells else None


def name_in_front(prefix: str) -> str | None:
    """Return what stands before the first code of a line as the name of a module that no table knows; else None.

    It is one cell, `Winch controller |`, or capitals, `QZ4 U0121`; for lines under no module's heading alone.
    """
    cells = cells_of(prefix[-_LOOK_BACK:])
    while cells and (_CELL_OF_LABEL.fullmatch(cells[-1].text) or not _LETTERS.search(cells[-1].text)):
        cells.pop()
    if not cells:
        return None
    text = _VERB_BEHIND.sub("", _without_number(_LABEL_IN_FRONT.sub("", cells[-1].text)))
    closed = cells[-1].end < len(prefix.rstrip()) or prefix.endswith(("\t", "  "))
    if not closed and not _CAPITALS.fullmatch(text):
        return None
    return text if _could_be_name(text) else None


def module_behind(cells: list[Cell], code: TroubleCode) -> Cell | None:
    """Return the cell behind a code that is the name of a module and not of the one the code is about."""
    keys = ((cell, module_key(cell.text)) for cell in cells)
    return next((cell for cell, key in keys if key and key != code.about), None)


def module_storing(text: str) -> str | None:
    """Return the module that running text says a code is stored in: "U0121 in the ABS module"."""
    text = text[:_LOOK_BACK]
    named = (name for name in modules_named_in(text) if _STORED_IN.search(text[: name.start]))
    known = next((text[name.start : name.end] for name in named), None)
    told = None if known else _SAYS_STORED.search(text)
    return known or (bare(told[1]) if told and _could_be_name(bare(told[1])) else None)


def module_in_brackets(text: str, code: TroubleCode) -> str | None:
    """Return what stands in brackets right behind a code, where that is not the module the code is about."""
    found = _IN_BRACKETS.match(text)
    if not found or module_key(found[1]) == code.about is not None:
        return None
    known = module_key(found[1]) is not None
    return found[1] if known or (_CAPITALS.match(found[1]) and _could_be_name(found[1])) else None


def name_before_colon(cells: list[Cell], text: str) -> str | None:
    """Return the name that a line announces for the codes behind it: `...; QZ4: U0100`."""
    name = cells[-1].text if cells and text.rstrip().endswith(":") else ""
    return name if _could_be_name(name) else None


def heading_of(line: str) -> str | None:
    """Return the module that a line without codes announces for the lines below, as written."""
    if len(line.strip()) > _LONGEST_HEADING:
        return None
    name, counts = _COUNT_BEHIND.subn("", line.strip())
    text = _without_number(bare(name))
    # A line that counts codes heads a module, known or not: the codes below are not the last module's.
    if module_key(text) or (counts and _could_be_name(text)):
        return text
    cells = cells_of(line)
    if cells and module_key(cells[0].text) and _REPORT_WORDS.fullmatch(line, cells[0].end):
        return _without_number(cells[0].text)
    if len(cells) > 1 and _ADDRESS.fullmatch(cells[0].text) and module_key(cells[1].text):
        return cells[1].text
    if not line.rstrip().endswith((":", "]", "=")):
        return None
    named = modules_named_in(line)
    return line[named[0].start : named[0].end] if len(named) == 1 else _unknown_module(text)


def unknown_heading(line: str) -> str | None:
    """Return the name that a line marks as a heading, though no table knows it: `[QZ4]`, `Address 17: QZ4`."""
    if len(line.strip()) > _LONGEST_HEADING:
        return None
    addressed = _WITH_ADDRESS.fullmatch(line)
    if not addressed and not _MARKED.fullmatch(line):
        return None
    text = bare(addressed["name"] if addressed else line)
    return text if _could_be_name(text) and not label_of(line) else None


def name_alone(line: str) -> str | None:
    """Return a line that holds nothing but a module's name: capitals, or words that say so; a title is none."""
    text = _without_number(bare(line))
    few = len(text.split()) <= _MOST_WORDS and line.strip() == bare(line)
    says_so = _CAPITALS.fullmatch(text) or (text[:1].isupper() and _SAYS_MODULE.search(text))
    return text if few and says_so and _could_be_name(text) else None


def is_silence(line: str) -> bool:
    """Return whether a line says that something does not answer."""
    return _SILENT.search(line[:_LOOK_AHEAD]) is not None


def silent_in(line: str) -> list[str]:
    """Return the modules that a line says do not answer, as written; empty if it names none."""
    line = line[:_LOOK_AHEAD]
    phrase = _SILENT.search(line)
    if not phrase:
        return []
    before, after = line[: phrase.start()], line[phrase.end() :]
    cells = cells_of(before)
    exact = [name for cell in cells if module_key(name := _without_number(cell.text))]
    if exact:
        return exact
    for text, strict in ((before, True), (after, False)):
        named = [text[name.start : name.end] for name in modules_named_in(text, strict=strict)]
        if named:
            return named
    if not cells or cells[0].end == len(before) or cells[0].text.lower() in _NO_NAMES:
        return []
    return [cells[0].text] if len(cells[0].text) <= _LONGEST_NAME else []


def _without_number(name: str) -> str:
    return bare(_NUMBER_IN_FRONT.sub("", name)) or name


def _could_be_name(text: str) -> bool:
    return 1 < len(text) <= _LONGEST_NAME and any(map(str.isalpha, text)) and not _NO_MODULE.search(text)


def _unknown_module(text: str) -> str | None:
    """Return `text` if it calls itself a module, though no known one."""
    if not _could_be_name(text) or not _SAYS_MODULE.search(text):
        return None
    return None if text.lower() in {"module", "control module", "control unit", "ecu", "controller"} else text
