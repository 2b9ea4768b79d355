"""The field types that the parts of a record are made of: checked text, amounts, codes, dates."""

from __future__ import annotations

import re
import unicodedata
from datetime import date, timedelta
from difflib import get_close_matches
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainSerializer,
    PlainValidator,
    StringConstraints,
    ValidationInfo,
    WithJsonSchema,
)

from casebase.errors import InputError
from casebase.record.can import can_identifier
from casebase.record.codes import TroubleCode, parse_code
from casebase.record.quantities import (
    BIT_RATE,
    DISTANCE,
    MINUTES,
    ODOMETER,
    RESISTANCE,
    VOLTAGE,
    Amount,
    Dimension,
    read_amount,
    read_money,
)
from casebase.record.word_list import Word

LONGEST_TEXT: Final = 20_000
LONGEST_NAME: Final = 200


class Part(BaseModel):
    """Base of every part of a record: unknown keys are refused, a part never changes once made."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        validate_default=False,
        defer_build=True,  # each is built when first used: a command uses few of them on their own
    )


def _without_control_characters(text: str) -> str:
    """Return text in one Unicode form with plain line ends, so that the same words give the same record."""
    text = unicodedata.normalize("NFC", text.replace("\r\n", "\n"))
    for character in text:
        if unicodedata.category(character) in {"Cc", "Cs"} and character not in "\n\t":
            raise InputError("holds a control character: expected plain text")
    return text


def _one_line(text: str) -> str:
    return " ".join(text.split())


Text = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_TEXT),
    AfterValidator(_without_control_characters),
]
"""Free text, as people write it."""

Name = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_NAME),
    AfterValidator(_without_control_characters),
    AfterValidator(_one_line),
]
"""One line of text: a name, a place, a pin."""

FileName = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_NAME, pattern=r"^[^/\\]+$"),
    AfterValidator(_without_control_characters),
    AfterValidator(_one_line),
]
"""The name of a file, without a folder."""


def _amount_field(dimension: Dimension) -> Any:
    """Return what pydantic needs to read, write and describe an amount of `dimension`."""

    def read(value: object) -> Amount:
        return read_amount(value, dimension)

    return (
        PlainValidator(read),
        PlainSerializer(str, return_type=str),
        WithJsonSchema(
            {"type": ["string", "number"] if dimension.bare else "string", "examples": [dimension.example]}
        ),
    )


Ohms = Annotated[Amount, *_amount_field(RESISTANCE)]
Volts = Annotated[Amount, *_amount_field(VOLTAGE)]
BitRate = Annotated[Amount, *_amount_field(BIT_RATE)]
Odometer = Annotated[Amount, *_amount_field(ODOMETER)]
Distance = Annotated[Amount, *_amount_field(DISTANCE)]


Minutes = Annotated[
    float,
    PlainValidator(lambda value: round(read_amount(value, MINUTES).number, 2)),
    WithJsonSchema({"type": ["string", "number"], "minimum": 0, "examples": [45, "1.5 h"]}),
]
Money = Annotated[
    Amount,
    PlainValidator(read_money),
    PlainSerializer(str, return_type=str),
    WithJsonSchema({"type": "string", "examples": ["184.50 EUR"]}),
]


def _code(value: object) -> TroubleCode:
    if isinstance(value, TroubleCode):
        return value
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise InputError("not a trouble code: expected text such as U0121-00 or SPN 639 FMI 9")
    return parse_code(str(value))


_PER_CENT: Final = re.compile(r"(?P<number>[0-9]+(?:[.,][0-9]+)?)\s*%")


def _share(value: object) -> float:
    """Return a share from a number of 0 to 1, or from per cent as text."""
    expected = "expected a number from 0 to 1, or per cent such as 21 %"
    per_cent = _PER_CENT.fullmatch(value.strip()) if isinstance(value, str) else None
    try:
        if isinstance(value, bool):
            raise ValueError
        share = float(per_cent["number"].replace(",", ".")) / 100 if per_cent else float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise InputError(f"not a share: {expected}") from None
    if not 0.0 <= share <= 1.0:
        raise InputError(f"{value} cannot be a share: {expected}")
    return round(share, 6) + 0.0


Share = Annotated[
    float,
    PlainValidator(_share),
    WithJsonSchema({"type": ["number", "string"], "minimum": 0, "maximum": 1, "examples": [0.21, "21 %"]}),
]
"""A share of a whole: 0 to 1."""

Code = Annotated[
    TroubleCode,
    PlainValidator(_code),
    PlainSerializer(
        lambda code: code.text if code.occurrences is None else f"{code.text} OC {code.occurrences}",
        return_type=str,
    ),
    WithJsonSchema({"type": ["string", "integer"], "examples": ["U0121-00", "SPN 639 FMI 9"]}),
]


Identifier = Annotated[
    str,
    PlainValidator(can_identifier),
    WithJsonSchema(
        {"type": "string", "pattern": "^(0[xX])?[0-9A-Fa-f]{1,8}$", "examples": ["1A0", "18FEF100"]}
    ),
]
"""The identifier of a CAN frame, in hex."""

_YEAR_FIRST: Final = re.compile(r"[0-9]{4}-[0-9]")


STORED: Final = {"stored": True}
"""Context of a validation: the record was entered before, and this machine's clock has no say in it any more."""


def is_stored(info: ValidationInfo) -> bool:
    """Return whether what is validated stands in a library or an edition already."""
    return info.context == STORED


def _not_in_the_future(day: date, info: ValidationInfo) -> date:
    # One day of grace: the author may sit east of this machine's clock.
    today = date.today()
    if day > today + timedelta(days=1) and not is_stored(info):
        raise InputError(
            f"lies in the future: expected a date up to today, which is {today} by this machine's clock"
        )
    if day.year < 1980:
        raise InputError("lies before 1980: expected the date of the job, as YYYY-MM-DD")
    return day


def _written_date(value: object) -> object:
    # pydantic would take a bare number for seconds since 1970.
    if isinstance(value, date) or (isinstance(value, str) and _YEAR_FIRST.match(value.strip())):
        return value
    raise InputError("expected a date as YYYY-MM-DD")


Day = Annotated[date, BeforeValidator(_written_date), AfterValidator(_not_in_the_future)]


def _not_a_truth_value(value: object) -> object:
    if isinstance(value, bool):
        raise InputError("expected a whole number")
    return value


_NEAR_MISS: Final = 0.75


def told_in_words(data: Any, key: str, words: type[Word], text_key: str) -> Any:
    """Return a part's plain data with what stands under `key` in sentences moved to `text_key`.

    A single word, or one near a word of the list, stays: it is refused with what was meant.
    """
    said = data.get(key) if isinstance(data, dict) else None
    if not isinstance(said, str) or len(said.split()) < 2 or text_key in data:
        return data
    try:
        words(said)
    except ValueError:
        known = [word.value.casefold() for word in words]
        near = get_close_matches(said.strip().casefold(), known, 1, _NEAR_MISS)
    else:
        return data
    if near:
        return data
    return {kept: value for kept, value in data.items() if kept != key} | {text_key: said}


NotATruthValue: Final = BeforeValidator(_not_a_truth_value)
"""For counts: JSON's `true` is no 1. Stands after the bounds, so that these reach the JSON Schema."""


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _nothing_as_empty(value: object) -> object:
    listed = _as_list(value)
    if isinstance(listed, list) and len(listed) == 1 and isinstance(listed[0], str):
        return [] if listed[0].strip().casefold() in {"nothing", "none"} else listed
    return listed


AsList: Final = BeforeValidator(_as_list)
"""Lets a list be typed as a single text: `conditions: wet`."""

NothingOrNames = Annotated[list[Name], BeforeValidator(_nothing_as_empty)]
"""What was unplugged: names, or the word `nothing`."""
