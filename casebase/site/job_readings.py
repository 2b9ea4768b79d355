"""The readings of a stuck job as rows of a form: what was measured, its value, where and in which state."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from casebase.record.vocabulary import (
    LINES_OF_MEDIUM,
    Line,
    Look,
    Medium,
    Quantity,
    Stage,
    YesNo,
)
from casebase.site.job_fields import FieldReader, names_in

Data = dict[str, Any]

NETWORK_NAME: Final = "the network"
"""What the only network of a job is called."""

MOST_READINGS: Final = 40
"""More than anybody takes on one job before looking at what they mean."""

LEVEL_FIELDS: Final = {
    "resthigh": ("recessive", 0),
    "restlow": ("recessive", 1),
    "drivenhigh": ("dominant", 0),
    "drivenlow": ("dominant", 1),
}
"""Levels on a scope: the state of the bus, and which line of the network; a single line is the first."""

ROW_FIELDS: Final = ("what", "value", "unit", "at", "state", "unplugged", "traffic", "looks", *LEVEL_FIELDS)
"""The fields of a row; `r1.what` is the first of row 1."""

SCOPE: Final = "scope"

OVER_RANGE: Final = "OL"
UNITS: Final = {"k": "kohm", "M": "Mohm", "m": "mV", OVER_RANGE: "OL, over range"}
"""What a keypad of digits cannot type; without one a number is in ohm or volt."""

_PLAIN_NUMBER: Final = re.compile(r"-?[0-9]+([.,][0-9]+)?")


@dataclass(frozen=True)
class Choice:
    """One thing to measure: its key in the address, its words, and what a record says of it."""

    key: str
    words: str
    quantity: Quantity
    line: Line | None = None
    against: Line | None = None

    def data(self) -> Data:
        """Return the keys of a record's reading."""
        told = {"quantity": self.quantity, "line": self.line, "against": self.against}
        return {key: str(word) for key, word in told.items() if word is not None}


@dataclass(frozen=True)
class State:
    """One state of the vehicle while measuring."""

    key: str
    words: str
    data: dict[str, str]


_OFF: Final = {"ignition": "off"}
_ON: Final = {"ignition": "on"}
STATES: Final = {
    state.key: state
    for state in (
        State("off", "battery disconnected, ignition off", _OFF | {"battery": "disconnected"}),
        State("quiet", "ignition on, tester silent", _ON | {"tester": "silent"}),
        State("talking", "ignition on, tester talking", _ON | {"tester": "talking"}),
        State("on", "ignition on, tester not noted", _ON),
        State("loaded", "ignition on, a lamp drawing current across the plug", _ON | {"loaded": "yes"}),
        State("running", "engine running, or READY", {"ignition": "running"}),
        State("cranking", "while the engine is cranked", {"ignition": "cranking"}),
        State("key-off", "ignition off, battery connected", _OFF | {"battery": "connected"}),
        State("unknown", "not noted", {}),
    )
}


def default_state(quantity: Quantity) -> str:
    """Return the state that is meant where none is chosen (common practice, no source)."""
    return "off" if quantity is Quantity.RESISTANCE else "quiet"


def choices_of(medium: Medium | None) -> tuple[Choice, ...]:
    """Return what can be measured on a medium, the usual first; CAN high and CAN low where it is not known."""
    lines = LINES_OF_MEDIUM[medium or Medium.HIGH_SPEED_CAN]
    is_pair = len(lines) == 2 and Line.K_LINE not in lines
    named = list(zip(("high", "low") if is_pair else ("line", "second-line"), lines, strict=False))
    return (
        *([_across("ohm", *lines)] if is_pair else []),
        *(_leads("volt", name, line, Line.GROUND) for name, line in named),
        *(_leads("ohm", name, line, Line.GROUND) for name, line in named),
        _leads("volt", "supply", Line.SUPPLY, Line.GROUND),
        *([_across("volt", *lines)] if is_pair else []),
        *(_leads("ohm", f"{name}-battery", line, Line.BATTERY_PLUS) for name, line in named),
        _leads("volt", "battery", Line.BATTERY_PLUS, Line.GROUND),
        _leads("volt", "ground", Line.GROUND, Line.BATTERY_MINUS),
        _leads("ohm", "ground", Line.GROUND, Line.BATTERY_MINUS),
        Choice(SCOPE, "scope", Quantity.WAVEFORM, None if is_pair else lines[0]),
    )


_QUANTITIES: Final = {"ohm": Quantity.RESISTANCE, "volt": Quantity.VOLTAGE}


def _of_other_media() -> Iterator[Choice]:
    """Yield what can be measured on lines that one other medium alone has: they tell the network by themselves."""
    for medium in (Medium.LIN, Medium.SINGLE_WIRE_CAN, Medium.K_LINE, Medium.FLEXRAY):
        for line in LINES_OF_MEDIUM[medium]:
            name = str(line).casefold().replace(" ", "-")
            yield _leads("volt", name, line, Line.GROUND)
            yield _leads("ohm", name, line, Line.GROUND)


def choices_among(media: Sequence[Medium]) -> list[tuple[Medium | None, list[tuple[str, Choice]]]]:
    """Return, network by network, (key, choice) of what can be measured; keys of the second begin with `2.`."""
    if not media:
        chosen = [*choices_of(None), *_of_other_media()]
        return [(None, [(choice.key, choice) for choice in chosen])]
    return [
        (
            medium,
            [
                (f"{number}.{choice.key}" if number > 1 else choice.key, choice)
                for choice in choices_of(medium)
            ],
        )
        for number, medium in enumerate(media, 1)
    ]


def network_names(media: Sequence[Medium]) -> list[str]:
    """Return what the networks of a job are called: one alone, or each by its kind, told apart where two are alike.

    >>> network_names([Medium.LIN]), network_names([Medium.LIN, Medium.LIN])
    (['the network'], ['LIN', 'LIN 2'])
    """
    if len(media) == 1:
        return [NETWORK_NAME]
    return [
        f"{medium} {number}" if medium in media[: number - 1] else str(medium)
        for number, medium in enumerate(media, 1)
    ]


def _leads(unit: str, name: str, line: Line, against: Line) -> Choice:
    return Choice(f"{unit}-{name}", f"{unit}s {line} to {against}", _QUANTITIES[unit], line, against)


def _across(unit: str, line: Line, against: Line) -> Choice:
    return Choice(f"{unit}-pair", f"{unit}s {line} to {against}", _QUANTITIES[unit], line, against)


# --- from rows to readings ----------------------------------------------------------------------------------------


def read_rows(reader: FieldReader, media: Sequence[Medium]) -> list[Data]:
    """Return the readings of all rows as plain data; a row without a value is none."""
    rows = [row for row in reader.given.rows if _says_something(reader, row)]
    if len(rows) > MOST_READINGS:
        said = f"{len(rows)} readings: the first {MOST_READINGS} are used; leave out those that say the same"
        reader.remark(f"r{rows[MOST_READINGS]}.value", "", said)
    found = (_reading(reader, row, media) for row in rows[:MOST_READINGS])
    return [reading for reading in found if reading]


def _says_something(reader: FieldReader, row: int) -> bool:
    return any(reader.given.several(f"r{row}.{name}") for name in _SAYS_SOMETHING) or _is_over_range(
        reader, row
    )


_SAYS_SOMETHING: Final = ("value", "traffic", "looks", *LEVEL_FIELDS)


def _is_over_range(reader: FieldReader, row: int) -> bool:
    return reader.given.text(f"r{row}.unit") == OVER_RANGE


def _reading(reader: FieldReader, row: int, media: Sequence[Medium]) -> Data | None:
    """Return one reading; None where anything in its row is wrong, for half a reading could mislead."""
    before = reader.refused
    found = _choice(reader, row, media)
    if found is None:
        return None
    network, choice = found
    on = {"network": network} if network and len(media) > 1 else {}
    medium = media[network_names(media).index(network)] if network else None
    data = choice.data() | on | _where_and_state(reader, row, choice) | _shown(reader, row, choice, medium)
    is_empty = "value" not in data and "waveform" not in data
    return None if is_empty or reader.refused > before else data


def _choice(reader: FieldReader, row: int, media: Sequence[Medium]) -> tuple[str | None, Choice] | None:
    """Return the network's name, where one was chosen, and what was measured; None where no network has that."""
    field = f"r{row}.what"
    typed = reader.text(field)
    networks = choices_among(media)
    names: Sequence[str | None] = network_names(media) if media else [None]
    for name, (medium, choices) in zip(names, networks, strict=True):
        choice = dict([*_by_line(medium), *choices]).get(typed)
        if choice is not None:
            of_network = medium is not None and (
                choice.line is None or choice.line in LINES_OF_MEDIUM[medium]
            )
            return name if of_network or len(media) == 1 else None, choice
    medium = networks[0][0]
    named = f"{medium} has no such reading" if medium else "no such reading before the network is chosen"
    said = named if typed else "nothing chosen"
    listed = ", ".join(choice.words for _, choices in networks for _, choice in choices)
    reader.refuse(field, typed, f"{said}: choose what was measured, one of {listed}")
    return None


def _by_line(medium: Medium | None) -> list[tuple[str, Choice]]:
    """Return what was chosen before the network was, as far as it is of that network."""
    lines = LINES_OF_MEDIUM[medium] if medium else ()
    return [(choice.key, choice) for choice in _of_other_media() if choice.line in lines]


def _where_and_state(reader: FieldReader, row: int, choice: Choice) -> Data:
    place = reader.one(f"r{row}.at", "readings[0].at")
    state = _state(reader, row) or default_state(choice.quantity)
    data: Data = {"at": place or "DLC"} | STATES[state].data
    unplugged = _unplugged(reader, row)
    if unplugged is not None:
        data["unplugged"] = unplugged
    return data | ({"stage": str(Stage.ISOLATION)} if unplugged else {})


def _state(reader: FieldReader, row: int) -> str | None:
    field = f"r{row}.state"
    typed = reader.text(field)
    if typed and typed not in STATES:
        listed = ", ".join(f"{key} ({state.words})" for key, state in STATES.items())
        reader.refuse(field, typed, f"not a state of this list: expected one of {listed}")
    return typed if typed in STATES else None


def _unplugged(reader: FieldReader, row: int) -> list[str] | None:
    """Return the names typed, none for the word nothing, None where nobody says."""
    field = f"r{row}.unplugged"
    names = names_in(reader.text(field))
    if not names:
        return None
    if len(names) == 1 and names[0].casefold() in {"nothing", "none", "no"}:
        return []
    return reader.checked(field, names, "modules[0].name")


def _value(reader: FieldReader, row: int, choice: Choice) -> str | None:
    """Return the value with the unit chosen beside it; what was typed with a unit or word of its own stays."""
    field, unit = f"r{row}.value", reader.given.text(f"r{row}.unit")
    typed = reader.given.text(field).strip()
    if unit and unit not in UNITS:
        reader.refuse(f"r{row}.unit", unit, f"not a unit of this list: expected one of {', '.join(UNITS)}")
        return None
    beside = {"quantity": str(choice.quantity)}
    if not unit or (typed and unit != OVER_RANGE and not _PLAIN_NUMBER.fullmatch(typed)):
        return reader.one(field, "readings[0].value", beside)
    text = OVER_RANGE if unit == OVER_RANGE else f"{typed} {UNITS[unit]}"
    return text if reader.fits(field, text, "readings[0].value", beside) else None


def _levels(reader: FieldReader, row: int, medium: Medium | None) -> Data:
    """Return the levels read off a scope, by state of the bus and line."""
    lines = LINES_OF_MEDIUM[medium or Medium.HIGH_SPEED_CAN]
    found: dict[str, dict[str, str]] = {}
    for name, (state, place) in LEVEL_FIELDS.items():
        level = reader.one(f"r{row}.{name}", "readings[0].value", {"quantity": str(Quantity.VOLTAGE)})
        if level and place < len(lines):
            found.setdefault(state, {})[str(lines[place])] = level
        elif level:
            reader.refuse(
                f"r{row}.{name}", level, f"{medium} has one line: give its level in the first field"
            )
    return dict(found)


def _shown(reader: FieldReader, row: int, choice: Choice, medium: Medium | None) -> Data:
    """Return the value, and what was seen on a scope."""
    value = _value(reader, row, choice)
    data: Data = {"value": value} if value else {}
    traffic = reader.one(f"r{row}.traffic", "readings[0].waveform.traffic")
    if choice.quantity is Quantity.VOLTAGE:
        return data | ({"traffic": traffic} if traffic and value else {})
    if choice.quantity is not Quantity.WAVEFORM:
        return data
    looks = reader.checked(
        f"r{row}.looks", names_in(reader.text(f"r{row}.looks")), "readings[0].waveform.looks[0]"
    )
    seen: Data = {"traffic": traffic, "looks": looks} | _levels(reader, row, medium)
    seen = {key: said for key, said in seen.items() if said}
    return data | ({"waveform": seen} if seen else {})


# --- for the form -------------------------------------------------------------------------------------------------


def reading_choices(media: Sequence[Medium]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return, network by network, its name and (key, words) of what can be measured there, the usual first."""
    names = network_names(media) if len(media) > 1 else [""]
    return [
        (name, [(key, choice.words) for key, choice in choices])
        for name, (_, choices) in zip(names, choices_among(media), strict=True)
    ]


def level_choices(medium: Medium | None) -> list[tuple[str, str]]:
    """Return (field, words) of the levels that a scope shows of a medium."""
    lines = LINES_OF_MEDIUM[medium or Medium.HIGH_SPEED_CAN]
    words = {"recessive": "at rest", "dominant": "driven"}
    return [
        (name, f"{lines[place]} {words[state]}, V")
        for name, (state, place) in LEVEL_FIELDS.items()
        if place < len(lines)
    ]


def unit_choices() -> list[tuple[str, str]]:
    """Return (key, words) of the units that can be chosen beside a value."""
    return list(UNITS.items())


def state_choices() -> list[tuple[str, str]]:
    """Return (key, words) of the states of the vehicle."""
    return [(state.key, state.words) for state in STATES.values()]


def look_choices() -> list[tuple[str, str]]:
    """Return (key, words) of how a waveform can look."""
    return [(str(look), str(look)) for look in Look]


def traffic_choices() -> list[tuple[str, str]]:
    """Return (key, words) of whether frames were seen."""
    return [(str(YesNo.YES), "traffic"), (str(YesNo.NO), "no traffic")]
