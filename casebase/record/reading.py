"""A reading: what was measured, between what, where, in which state of the vehicle, and what it showed."""

from __future__ import annotations

import re
from typing import Annotated, Any, Final

from pydantic import (
    Field,
    PlainSerializer,
    ValidatorFunctionWrapHandler,
    WithJsonSchema,
    field_validator,
    model_validator,
)
from pydantic_core.core_schema import ValidationInfo

from casebase.errors import InputError
from casebase.record.fields import AsList, Name, NothingOrNames, Part, Share, Text, Volts, is_stored
from casebase.record.quantities import CURRENT, RESISTANCE, VOLTAGE, Amount, Dimension
from casebase.record.reading_value import (
    OverLimit,
    ReadingValue,
    Several,
    read_comparison,
    read_fault_word,
    read_reading_value,
    value_and_text,
)
from casebase.record.vocabulary import (
    POWER_LINES,
    Battery,
    Ignition,
    Into,
    Line,
    Look,
    Quantity,
    Stage,
    Tester,
    YesNo,
)

_DLC: Final = re.compile(
    r"(?:the )?(?:(?:9|16)[- ]?(?:pin|way)(?: (?:dlc|connector|diagnostic (?:connector|plug|socket)|plug|socket))?"
    r"|dlc(?: (?:connector|plug|socket|port))?|(?:data|diagnostic) link connector"
    r"|(?:obd|obd[- ]?(?:ii|2)|eobd)(?: (?:port|plug|socket|connector))?"
    r"|diag(?:nostic)?s? (?:connector|plug|port|socket))"
    r"(?:,? (?:pins? )?(?P<pins>[0-9]{1,2}|[A-K](?: ?(?:,|/|and|&) ?[A-K])?|[0-9]{1,2} ?(?:,|/|and|&) ?[0-9]{1,2}))?",
    re.IGNORECASE,
)
"""The usual names of the diagnostic connector, and its pins behind them (common practice, no source)."""

_PINS_OF_DLC: Final = re.compile(
    r"pins? (?P<pins>[0-9A-Ka-k ,/&and]{1,12}?) (?:of|at|on|in) (?P<dlc>.+)", re.IGNORECASE
)

_DIMENSIONS: Final[dict[Quantity, Dimension]] = {
    Quantity.RESISTANCE: RESISTANCE,
    Quantity.VOLTAGE: VOLTAGE,
    Quantity.AC_VOLTAGE: VOLTAGE,
    Quantity.CURRENT: CURRENT,
}
_LIVE: Final = (Quantity.VOLTAGE, Quantity.AC_VOLTAGE)
_EXAMPLES: Final = {
    Quantity.RESISTANCE: "60.2 ohm, OL, over 10 Mohm or unchanged",
    Quantity.CURRENT: "35 mA or unchanged",
}

PLACE_NOT_NAMED: Final = "a place not named"
"""Where a reading was taken of a line that the diagnostic connector does not have, and nobody said where."""


class Waveform(Part):
    """What a scope showed: levels per line as far as known, traffic or none, and how it looks."""

    traffic: YesNo | None = Field(default=None, description="Whether frames were seen.")
    recessive: dict[Line, Volts] = Field(
        default_factory=dict,
        description="Level of each line between and within frames while nobody drives it.",
    )
    dominant: dict[Line, Volts] = Field(
        default_factory=dict, description="Level of each line while a module drives it."
    )
    looks: Annotated[list[Look], AsList] = Field(
        default_factory=list, description="How it looks, in fixed words."
    )
    dominant_share: Share | None = Field(
        default=None, description="Share of the time in which somebody drives the lines, 0 to 1."
    )
    whole_frames: Share | None = Field(
        default=None, description="Share of frames that are whole, 0 to 1, of those seen to their end."
    )
    note: Text | None = None

    @field_validator("recessive", "dominant", mode="wrap")
    @classmethod
    def _each_line_once(cls, levels: Any, read: ValidatorFunctionWrapHandler) -> dict[Line, Amount]:
        by_line: dict[Line, Amount] = read(levels)
        if len(by_line) < len(levels):
            raise InputError("names a line twice, in two spellings: expected each line once")
        return by_line

    @model_validator(mode="after")
    def _frames_only_with_traffic(self) -> Waveform:
        if self.whole_frames is not None and self.traffic is YesNo.NO:
            raise InputError("whole_frames tells of frames where traffic says no: leave one of them out")
        return self


class Reading(Part):
    """One reading. What is not known about its state is left out: it is kept, and counts as less certain."""

    network: Name | None = Field(
        default=None, description="Which of the record's networks; may be left out when there is one."
    )
    quantity: Quantity
    line: Line | None = Field(
        default=None, description="The line measured; may be left out for a scope on both lines."
    )
    against: Line | None = Field(
        default=None, description="The other lead: ground, battery + or another line."
    )
    at: Name = Field(default="DLC", description="Where: DLC, connector of ABS, splice S204 ...")
    to: Name | None = Field(
        default=None,
        description="The place of the other lead, for ohms or a drop of volts from end to end of one wire.",
    )
    into: Into | None = Field(
        default=None, description="Which side of a parted plug: into the harness or the bare module."
    )
    pins: Name | None = Field(default=None, description="Pins as text, such as '6 and 14'.")
    ignition: Ignition | None = None
    battery: Battery | None = Field(default=None, description="Vehicle battery, while measuring.")
    unplugged: NothingOrNames | None = Field(
        default=None, description="Modules or connectors unplugged while measuring, or the word nothing."
    )
    swapped: NothingOrNames | None = Field(
        default=None, description="Modules in whose place a known good one was fitted while measuring."
    )
    loaded: YesNo | None = Field(
        default=None,
        description="Of supply or ground: whether a load, such as a lamp, drew current through the wires.",
    )
    tester: Tester | None = Field(default=None, description="Whether a diagnostic tester was talking.")
    traffic: YesNo | None = Field(
        default=None,
        description="Beside volts: whether frames were seen meanwhile, by a lamp, a meter's bar or a scope.",
    )
    stage: Stage = Stage.AS_FOUND
    value: Annotated[
        ReadingValue | None,
        PlainSerializer(lambda value: None if value is None else str(value), return_type=str | None),
        WithJsonSchema(
            {
                "type": ["string", "number"],
                "examples": [
                    *("60.2 ohm", "2.4 V", "1.2k", "OL", "open", "over 10 Mohm", "under 50 ohm"),
                    *("60; 120 ohm when shaken", "35 mA", "normal", "unchanged", "back to normal", "gone"),
                ],
            }
        ),
    ] = Field(
        default=None,
        description="A number with its unit, OL, over or under one, several in one state, normal, unchanged,"
        " or back to normal; of a fault: gone, restored or unchanged.",
    )
    waveform: Waveform | None = None
    note: Text | None = None

    @model_validator(mode="before")
    @classmethod
    def _as_people_write_it(cls, data: Any, info: ValidationInfo) -> Any:
        # What is kept already stays as it is kept: its SHA-256 is of the text.
        if not isinstance(data, dict) or is_stored(info):
            return data
        return _text_beside_the_value(_pins_beside_the_dlc(_two_lines_in_one(data)))

    @field_validator("at", "to")
    @classmethod
    def _one_name_for_the_dlc(cls, at: str | None, info: ValidationInfo) -> str | None:
        return "DLC" if at is not None and not is_stored(info) and _is_dlc(at) else at

    @field_validator("value", mode="plain")
    @classmethod
    def _value_of_the_quantity(cls, value: object, info: ValidationInfo) -> ReadingValue | None:
        quantity = info.data.get("quantity")
        if value is None or quantity is None:
            return None
        if quantity is Quantity.WAVEFORM:
            comparison = read_comparison(value)
            if comparison is None:
                raise InputError("a waveform has no single value: put what was seen under waveform")
            return comparison
        if quantity is Quantity.FAULT:
            return read_fault_word(value)
        return read_reading_value(value, _DIMENSIONS[quantity])

    @model_validator(mode="after")
    def _says_something(self) -> Reading:
        if self.quantity is Quantity.WAVEFORM:
            if self.waveform is None and self.value is None:
                raise InputError("a waveform reading needs the key waveform, with traffic, levels or looks")
            if self.traffic is not None:
                raise InputError("traffic of a waveform stands within it: expected waveform: {traffic: yes}")
            return self
        if self.waveform is not None:
            raise InputError(f"{self._an} has no waveform: use quantity: waveform")
        if self.traffic is not None and self.quantity not in _LIVE:
            raise InputError(
                f"{self._an} shows no traffic: expected quantity: voltage, or traffic under waveform"
            )
        if self.quantity is Quantity.FAULT:
            return self._of_the_fault()
        if self.line is None and self.quantity is not Quantity.CURRENT:
            raise InputError(f"{self._an} needs the key line, such as CAN high")
        if self.value is None:
            raise InputError(f"{self._an} needs the key value, such as {self._example}")
        if self.line is not None and self.line == self.against and self.to is None and not self._is_drop:
            raise InputError(
                f"{self.line} against itself reads nothing: name the other lead under against, or the other"
                " end of the wire under to"
            )
        return self

    @property
    def _is_drop(self) -> bool:
        """Whether volts or ohms between two points of one potential were read, as of ground to ground."""
        return self.quantity in {Quantity.VOLTAGE, Quantity.RESISTANCE} and self.line in POWER_LINES

    @property
    def _an(self) -> str:
        return f"{'an' if self.quantity is Quantity.AC_VOLTAGE else 'a'} {self.quantity}"

    @property
    def _example(self) -> str:
        return _EXAMPLES.get(self.quantity, "2.4 V, under 0.1 V or unchanged")

    def _of_the_fault(self) -> Reading:
        if self.value is None:
            raise InputError("a fault needs the key value: gone, restored or unchanged")
        if not self.unplugged and not self.swapped:
            raise InputError(
                "a fault that is gone or unchanged needs what was unplugged or swapped to find out"
            )
        return self

    @model_validator(mode="after")
    def _at_a_parted_plug(self) -> Reading:
        if self.into is not None and self.at == "DLC":
            raise InputError(
                "into tells a side of a parted plug: name the plug under at, such as connector of ABS"
            )
        ends = self.quantity in {Quantity.RESISTANCE, Quantity.VOLTAGE}
        if self.to is not None and (not ends or self.against not in (None, self.line)):
            raise InputError(
                "to is for ohms or volts from end to end of one wire: expected quantity: resistance or"
                " voltage, one line, and no other line under against"
            )
        return self

    @property
    def lines(self) -> tuple[Line, ...]:
        """Every line this reading speaks of."""
        seen = (self.line, self.against)
        levels = (*self.waveform.recessive, *self.waveform.dominant) if self.waveform else ()
        return tuple(dict.fromkeys(line for line in (*seen, *levels) if line is not None))

    @property
    def number(self) -> float | None:
        """Ohms, volts or amperes; infinity for `OL`; None for a waveform, a word, a limit or several values.

        None for ohms below zero too: then a voltage on the wire was read.
        """
        if isinstance(self.value, Amount):
            return None if self.is_below_zero_ohms else self.value.number
        return float("inf") if isinstance(self.value, OverLimit) else None

    @property
    def is_below_zero_ohms(self) -> bool:
        """Whether the meter showed less than no resistance: a voltage on the wire, or leads zeroed wrongly."""
        if self.quantity is not Quantity.RESISTANCE:
            return False
        shown = self.value.values if isinstance(self.value, Several) else (self.value,)
        return any(isinstance(one, Amount) and one.low < 0 for one in shown)

    @property
    def unknown_state(self) -> tuple[str, ...]:
        """The keys about the vehicle's state that this reading leaves open although its value depends on them."""
        if self.quantity is Quantity.RESISTANCE:
            needed: dict[str, Any] = {
                "against": self.against or self.to,
                "battery": self.battery,
                "unplugged": self.into if self.unplugged is None else self.unplugged,
            }
        elif self.quantity in {Quantity.VOLTAGE, Quantity.AC_VOLTAGE}:
            against = self.against or self.to
            needed = {"against": against, "ignition": self.ignition, "unplugged": self.unplugged}
        elif self.quantity is Quantity.FAULT:
            needed = {}
        else:
            needed = {"ignition": self.ignition}
        return tuple(key for key, value in needed.items() if value is None)

    def what(self) -> str:
        """Return what was measured and where, in words: `CAN high to CAN low at DLC`; the unit tells the quantity."""
        names = {Quantity.WAVEFORM: "scope", Quantity.AC_VOLTAGE: "AC", Quantity.CURRENT: "current"}
        if self.quantity is Quantity.FAULT:
            return "fault"
        if self.to is not None:
            return f"{self.line} from {self.at} to {self.to}"
        between = " to ".join(line for line in (self.line, self.against) if line)
        into = f", into the {self.into}" if self.into else ""
        return " ".join(word for word in (names.get(self.quantity), between, f"at {self.at}{into}") if word)

    def state(self) -> str:
        """Return the state of the vehicle in words; empty where nothing is known."""
        parts = [
            f"ignition {self.ignition}" if self.ignition else "",
            f"battery {self.battery}" if self.battery else "",
            f"tester {self.tester}" if self.tester else "",
            {YesNo.YES: "with traffic", YesNo.NO: "without traffic"}.get(self.traffic, "")
            if self.traffic
            else "",
        ]
        if self.unplugged is not None:
            parts.append(f"{', '.join(self.unplugged) or 'nothing'} unplugged")
        if self.swapped:
            parts.append(f"{', '.join(self.swapped)} swapped")
        if self.loaded is not None:
            parts.append("under load" if self.loaded is YesNo.YES else "no load")
        return ", ".join(part for part in parts if part)

    @property
    def is_intermittent(self) -> bool:
        """Whether it showed more than one value in one state."""
        return isinstance(self.value, Several)


def _two_lines_in_one(data: dict[str, Any]) -> dict[str, Any]:
    """Take `CAN-H/CAN-L` or `FlexRay BP/BM` under `line` for a line against another."""
    said = data.get("line")
    if not isinstance(said, str) or "/" not in said or data.get("against") is not None:
        return data
    first, second = (part.strip() for part in said.split("/", 1))
    return data | {"line": first, "against": second}


def _is_dlc(place: str) -> bool:
    return _DLC.fullmatch(" ".join(place.split())) is not None


def _pins_beside_the_dlc(data: dict[str, Any]) -> dict[str, Any]:
    """Take `DLC pin 1` or `pins 6 and 14 of the DLC` for the DLC, and keep the pins where none are given."""
    said = data.get("at")
    if not isinstance(said, str):
        return data
    place = " ".join(said.split())
    turned = _PINS_OF_DLC.fullmatch(place)
    found = _DLC.fullmatch(turned["dlc"] if turned else place)
    if found is None:
        return data
    pins = turned["pins"].strip() if turned else found["pins"]
    told = {"pins": pins} if pins and data.get("pins") is None else {}
    return data | {"at": "DLC"} | told


def _text_beside_the_value(data: dict[str, Any]) -> dict[str, Any]:
    """Move what is written behind a number, `12.4 V after a night`, to the note."""
    try:
        dimension = _DIMENSIONS[Quantity(data["quantity"])]
    except (ValueError, KeyError):
        return data
    split = value_and_text(data.get("value"), dimension)
    if split is None:
        return data
    note = data.get("note")
    told = f"{note}; {split[1]}" if isinstance(note, str) and note.strip() else split[1]
    return data | {"value": split[0], "note": told}


_SPLICE: Final = re.compile(r"\b(splice|joint|junction|star point)\b", re.IGNORECASE)
_PLUG: Final = re.compile(r"\b(connector|plug|module|socket|pin)\b", re.IGNORECASE)


def place_kind(at: str) -> str:
    """Return the kind of place: `DLC`, `splice`, `connector` or `other`; an old record may name the DLC otherwise.

    >>> place_kind("connector of ABS")
    'connector'
    """
    if at == "DLC" or _is_dlc(at):
        return "DLC"
    if _SPLICE.search(at):
        return "splice"
    return "connector" if _PLUG.search(at) else "other"
