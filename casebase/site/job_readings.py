"""The readings of a stuck job as rows of a form: what was measured, its value, where and in which state."""

from __future__ import annotations

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

MOST_READINGS: Final = 40
"""More than anybody takes on one job before looking at what they mean."""

ROW_FIELDS: Final = ("what", "value", "at", "state", "unplugged", "traffic", "looks")
"""The fields of a row; `r1.what` is the first of row 1."""

SCOPE: Final = "scope"


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


def _leads(unit: str, name: str, line: Line, against: Line) -> Choice:
    return Choice(f"{unit}-{name}", f"{unit}s {line} to {against}", _QUANTITIES[unit], line, against)


def _across(unit: str, line: Line, against: Line) -> Choice:
    return Choice(f"{unit}-pair", f"{unit}s between {line} and {against}", _QUANTITIES[unit], line, against)


# --- from rows to readings ----------------------------------------------------------------------------------------


def read_rows(reader: FieldReader, medium: Medium | None) -> list[Data]:
    """Return the readings of all rows as plain data; a row without a value is none."""
    rows = [row for row in reader.given.rows if _says_something(reader, row)]
    if len(rows) > MOST_READINGS:
        said = f"{len(rows)} readings: the first {MOST_READINGS} are used; leave out those that say the same"
        reader.remark(f"r{rows[MOST_READINGS]}.value", "", said)
    found = (_reading(reader, row, medium) for row in rows[:MOST_READINGS])
    return [reading for reading in found if reading]


def _says_something(reader: FieldReader, row: int) -> bool:
    return any(reader.given.several(f"r{row}.{name}") for name in ("value", "traffic", "looks"))


def _reading(reader: FieldReader, row: int, medium: Medium | None) -> Data | None:
    """Return one reading; None where anything in its row is wrong, for half a reading could mislead."""
    before = reader.refused
    choice = _choice(reader, row, medium)
    if choice is None:
        return None
    data = choice.data() | _where_and_state(reader, row, choice) | _shown(reader, row, choice)
    is_empty = "value" not in data and "waveform" not in data
    return None if is_empty or reader.refused > before else data


def _choice(reader: FieldReader, row: int, medium: Medium | None) -> Choice | None:
    field = f"r{row}.what"
    typed = reader.text(field)
    choices = choices_of(medium)
    found = next((choice for choice in choices if choice.key == typed), None)
    if found is None:
        named = f"{medium} has no such reading" if medium else "no such reading before the network is chosen"
        said = named if typed else "nothing chosen"
        listed = ", ".join(choice.words for choice in choices)
        reader.refuse(field, typed, f"{said}: choose what was measured, one of {listed}")
    return found


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


def _shown(reader: FieldReader, row: int, choice: Choice) -> Data:
    """Return the value, and what was seen on a scope."""
    value = reader.one(f"r{row}.value", "readings[0].value", {"quantity": str(choice.quantity)})
    data: Data = {"value": value} if value else {}
    traffic = reader.one(f"r{row}.traffic", "readings[0].waveform.traffic")
    if choice.quantity is Quantity.VOLTAGE:
        return data | ({"traffic": traffic} if traffic and value else {})
    if choice.quantity is not Quantity.WAVEFORM:
        return data
    looks = reader.checked(
        f"r{row}.looks", names_in(reader.text(f"r{row}.looks")), "readings[0].waveform.looks[0]"
    )
    seen: Data = {"traffic": traffic, "looks": looks}
    seen = {key: said for key, said in seen.items() if said}
    return data | ({"waveform": seen} if seen else {})


# --- for the form -------------------------------------------------------------------------------------------------


def reading_choices(medium: Medium | None) -> list[tuple[str, str]]:
    """Return (key, words) of what can be measured on a medium, the usual first."""
    return [(choice.key, choice.words) for choice in choices_of(medium)]


def state_choices() -> list[tuple[str, str]]:
    """Return (key, words) of the states of the vehicle."""
    return [(state.key, state.words) for state in STATES.values()]


def look_choices() -> list[tuple[str, str]]:
    """Return (key, words) of how a waveform can look."""
    return [(str(look), str(look)) for look in Look]


def traffic_choices() -> list[tuple[str, str]]:
    """Return (key, words) of whether frames were seen."""
    return [(str(YesNo.YES), "traffic"), (str(YesNo.NO), "no traffic")]
