"""Trouble codes read in the spellings of the standards; what a code is and says of itself stands in `trouble_code`.

Letter codes follow SAE J2012 / ISO 15031-6, with or without a failure type byte (`U0121`, `U0121-87`), as
text or as their two or three bytes. Suspect parameters follow SAE J1939-73 (`SPN 639 FMI 9`, or four bytes), those of
older trucks SAE J1587 (`MID 128 SID 231 FMI 9`). Numbers of a maker's own are kept word for word.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from casebase.errors import CodeError
from casebase.record import code_meaning
from casebase.record.code_meaning import Statement
from casebase.record.modules import module_key
from casebase.record.trouble_code import (
    COUNT_NOT_KNOWN,
    LETTERS,
    SYSTEM_BY_LETTER,
    Grammar,
    ReadAs,
    System,
    TroubleCode,
)

__all__ = [
    "Grammar",
    "ReadAs",
    "Statement",
    "System",
    "TroubleCode",
    "code_from_bytes",
    "parse_code",
]

HIGHEST_SPN: Final = 524_287
"""Nineteen bits (SAE J1939-73)."""

HIGHEST_FMI: Final = 31
"""Five bits (SAE J1939-73)."""

_LONGEST_CODE: Final = 60
_SHOWN: Final = 40
_EXAMPLES: Final = "expected a code such as U0121-00, C1 21 00 (bytes), SPN 639 FMI 9 or maker:5E-21"

_LETTER_CODE: Final = re.compile(
    r"([PCBU])([0-3][0-9A-F]{3})(?:[-: ./]?([0-9A-F]{2})(?:[-: /]([0-9A-F]{2}))?)?", re.IGNORECASE | re.ASCII
)
_SPN_FMI: Final = re.compile(
    r"(?:SA ?[:=#]? ?(?P<source>[0-9]{1,3})[ ,;/-]{1,3})?SPN ?[:=#]? ?(?P<spn>[0-9]{1,7})"
    r"(?:[ ,;/.-]{0,3}FMI ?[:=#]? ?(?P<fmi>[0-9]{1,3})"
    r"(?:[ ,;/-]{0,3}(?:OC|COUNT) ?[:=]? ?(?P<count>[0-9]{1,3}))?)?",
    re.IGNORECASE | re.ASCII,
)
_J1587: Final = re.compile(
    r"MID ?[:=#]? ?([0-9]{1,3})[ ,;/-]{1,3}(PID|SID) ?[:=#]? ?([0-9]{1,3})"
    r"(?:[ ,;/-]{1,3}FMI ?[:=#]? ?([0-9]{1,2}))?",
    re.IGNORECASE | re.ASCII,
)
HIGHEST_J1587_FMI: Final = 15
"""Four bits (SAE J1587, from memory)."""

_BLINKED: Final = re.compile(r"[1-9] ?- ?[1-9]")
"""Pulses of a lamp, counted in two groups: no parameter of J1939 has so low a number in use (from memory)."""

_OF_MODULE: Final = re.compile(r"([A-Z]{2,5})[ -]?((?=[A-F]*[0-9])[0-9A-F]{4})", re.IGNORECASE | re.ASCII)
_SPN_FMI_PAIR: Final = re.compile(r"([0-9]{1,7}) ?[/-] ?([0-9]{1,2})")
_JOINED_BYTES: Final = re.compile(r"0x((?:[0-9A-F]{2}){2,4})", re.IGNORECASE | re.ASCII)
_SPACED_BYTES: Final = re.compile(r"(?:0x)?[0-9A-F]{2}(?: (?:0x)?[0-9A-F]{2}){1,3}", re.IGNORECASE | re.ASCII)
_BARE_BYTES: Final = re.compile(r"(?=[0-9]*[A-F])(?:[0-9A-F]{4}|[0-9A-F]{6})", re.IGNORECASE | re.ASCII)
_MAKER_NUMBER: Final = re.compile(r"[0-9]{3,8}")
_MAKER_TEXT: Final = re.compile(r"maker: ?((?=[^0-9]*[0-9])[A-Za-z0-9./ -]{1,16})", re.IGNORECASE | re.ASCII)
_NEARLY_LETTER_CODE: Final = re.compile(
    r"([A-Z])([0-9])([0-9A-F]{3})(?:[-: ]?[0-9A-F]{2})?", re.IGNORECASE | re.ASCII
)
_DECIMAL_PAIR: Final = re.compile(r"([0-9]{1,6})\.([0-9]{1,2})")
_DASHES: Final = str.maketrans("\u2010\u2011\u2012\u2013\u2014\u2212", "------")
_LOOKS_LIKE_DIGIT: Final = str.maketrans("OoIlL", "00111")


def parse_code(text: str) -> TroubleCode:
    """Return the trouble code written in `text`.

    Raises CodeError, one sentence with a near miss where there is one, if it fits no grammar.

    >>> parse_code("c1 21 00").text
    'U0121-00'
    """
    plain = " ".join(text.translate(_DASHES).split()) if len(text) <= 10 * _LONGEST_CODE else ""
    if 0 < len(plain) <= _LONGEST_CODE:
        for read in _READERS:
            code = read(plain)
            if code:
                return code
    raise CodeError(_refusal(text, plain))


def code_from_bytes(data: bytes) -> TroubleCode:
    """Return the code that stands in two or three bytes (SAE J2012) or four (SAE J1939-73).

    Raises CodeError for another number of bytes, or for a conversion method of J1939-73 that is out of use.
    """
    if len(data) == 4:
        if data[3] & 0x80:
            raise CodeError(
                f"bytes {data.hex(' ').upper()} use a conversion method of SAE J1939-73 that is out of use; "
                "expected the number as SPN and FMI, for example SPN 639 FMI 9"
            )
        spn = int.from_bytes(data[:2], "little") | (data[2] >> 5) << 16
        return _spn_code(spn, data[2] & 0x1F, data[3], ReadAs.BYTES)
    if len(data) not in {2, 3}:
        raise CodeError(
            f"{len(data)} bytes hold no trouble code; expected 2 or 3 (SAE J2012) or 4 (SAE J1939-73)"
        )
    number = int.from_bytes(data[:2], "big")
    base = f"{LETTERS[number >> 14]}{number & 0x3FFF:04X}"
    return _letter_code(base, data[2] if len(data) == 3 else None, ReadAs.BYTES)


def _letter_code(base: str, failure_type: int | None, read_as: ReadAs) -> TroubleCode:
    return TroubleCode(
        text=base if failure_type is None else f"{base}-{failure_type:02X}",
        grammar=Grammar.LETTER,
        system=SYSTEM_BY_LETTER[base[0]],
        base=base,
        failure_type=failure_type,
        maker_defined=code_meaning.maker_defines_letter_code(base),
        read_as=read_as,
    )


def _spn_code(spn: int, fmi: int | None, occurrences: int | None, read_as: ReadAs) -> TroubleCode:
    for name, value, highest in (
        ("SPN", spn, HIGHEST_SPN),
        ("FMI", fmi or 0, HIGHEST_FMI),
        ("occurrence count", occurrences or 0, COUNT_NOT_KNOWN),
    ):
        if value > highest:
            raise CodeError(f"{name} {value} is too high; expected 0 to {highest}, for example SPN 639 FMI 9")
    return TroubleCode(
        text=f"SPN {spn}" if fmi is None else f"SPN {spn} FMI {fmi}",
        grammar=Grammar.SPN_FMI,
        system=System.J1939,
        base=f"SPN {spn}",
        spn=spn,
        fmi=fmi,
        maker_defined=code_meaning.maker_defines_spn(spn),
        occurrences=None if occurrences == COUNT_NOT_KNOWN else occurrences,
        read_as=read_as,
    )


def _maker_code(text: str) -> TroubleCode:
    return TroubleCode(text=text, grammar=Grammar.MAKER, system=System.MAKER, base=text, maker_defined=True)


def _read_maker_text(plain: str) -> TroubleCode | None:
    found = _MAKER_TEXT.fullmatch(plain)
    if not found:
        return None
    value = found[1].strip()
    # A prefix in front of a plain number adds nothing: both spellings must be one code.
    return _maker_code(value if _MAKER_NUMBER.fullmatch(value) else f"maker:{value}")


def _read_letter_code(plain: str) -> TroubleCode | None:
    found = _LETTER_CODE.fullmatch(plain)
    if not found:
        return None
    failure_type = int(found[3], 16) if found[3] else None
    code = _letter_code((found[1] + found[2]).upper(), failure_type, ReadAs.TEXT)
    return replace(code, status_byte=int(found[4], 16)) if found[4] else code


def _read_spn(plain: str) -> TroubleCode | None:
    found = _SPN_FMI.fullmatch(plain)
    if found:
        numbers = {name: int(value) for name, value in found.groupdict().items() if value is not None}
        code = _spn_code(numbers["spn"], numbers.get("fmi"), numbers.get("count"), ReadAs.TEXT)
        return replace(code, source_address=_within("source address", numbers.get("source"), 255))
    pair = _SPN_FMI_PAIR.fullmatch(plain)
    if not pair:
        return None
    return replace(_spn_code(int(pair[1]), int(pair[2]), None, ReadAs.TEXT), guessed_from=plain)


def _read_older(plain: str) -> TroubleCode | None:
    found = _J1587.fullmatch(plain)
    if not found:
        return None
    unit, number = int(found[1]), int(found[3])
    fmi = _within("FMI", int(found[4]) if found[4] else None, HIGHEST_J1587_FMI)
    for value in (unit, number):
        _within("MID, PID and SID", value, 255)
    base = f"MID {unit} {found[2].upper()} {number}"
    return TroubleCode(
        text=base if fmi is None else f"{base} FMI {fmi}",
        grammar=Grammar.J1587,
        system=System.J1587,
        base=base,
        fmi=fmi,
        older=(unit, found[2].upper(), number),
    )


def _within(name: str, value: int | None, highest: int) -> int | None:
    if value is not None and value > highest:
        raise CodeError(f"{name} {value} is too high; expected 0 to {highest}")
    return value


def _read_blinked(plain: str) -> TroubleCode | None:
    if not _BLINKED.fullmatch(plain):
        return None
    pulses = plain.replace(" ", "")
    return replace(_maker_code(f"maker:{pulses}"), guessed_from=pulses)


def _read_number_of_module(plain: str) -> TroubleCode | None:
    """Read a module's letters with a number of its maker behind them; other letters are no such code."""
    found = _OF_MODULE.fullmatch(plain)
    return _maker_code(f"maker:{found[1]} {found[2]}") if found and module_key(found[1]) else None


def _read_bytes(plain: str) -> TroubleCode | None:
    spaced = _SPACED_BYTES.fullmatch(plain)
    if spaced:
        return code_from_bytes(bytes.fromhex(plain.lower().replace("0x", "")))
    found = _JOINED_BYTES.fullmatch(plain)
    if found:
        return code_from_bytes(bytes.fromhex(found[1]))
    if not _BARE_BYTES.fullmatch(plain):
        return None
    return replace(code_from_bytes(bytes.fromhex(plain)), guessed_from=plain)


_READERS: Final[tuple[Callable[[str], TroubleCode | None], ...]] = (
    _read_maker_text,
    _read_letter_code,
    _read_blinked,
    _read_spn,
    _read_older,
    _read_number_of_module,
    _read_bytes,
    lambda plain: _maker_code(plain) if _MAKER_NUMBER.fullmatch(plain) else None,
)


def _refusal(text: str, plain: str) -> str:
    shown = text.strip() if len(text.strip()) <= _SHOWN else text.strip()[:_SHOWN] + "..."
    said = f"trouble code {shown!r} fits no known form: {_EXAMPLES}"
    nearly = _NEARLY_LETTER_CODE.fullmatch(plain)
    if nearly and nearly[1].upper() in LETTERS and nearly[2] > "3":
        return f"{said}; the digit after the letter runs from 0 to 3"
    guesses = list(_near_misses(plain)) if len(plain) <= _LONGEST_CODE else []
    return f"{said}; did you mean {' or '.join(guesses)}?" if guesses else said


def _near_misses(plain: str) -> Iterator[str]:
    """Yield codes that `plain` may have been meant for: a letter for a digit, a space, a wrong letter."""
    joined = plain.replace(" ", "")
    repaired = joined[:1] + joined[1:].translate(_LOOKS_LIKE_DIGIT)
    for guess in dict.fromkeys((joined, repaired)):
        code = _read_letter_code(guess)
        if code:
            yield code.text
            return
    pair = _DECIMAL_PAIR.fullmatch(plain)
    if pair and int(pair[1]) <= HIGHEST_SPN and int(pair[2]) <= HIGHEST_FMI:
        yield f"SPN {int(pair[1])} FMI {int(pair[2])}"
    nearly = _NEARLY_LETTER_CODE.fullmatch(repaired)
    if nearly and nearly[1].upper() not in LETTERS and nearly[2] in "0123":
        yield from (f"{letter}{nearly[2]}{nearly[3].upper()}" for letter in LETTERS)
