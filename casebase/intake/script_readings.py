"""The readings of the interview: a line each as they are said, or step by step, offering what is likely."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final

from casebase.errors import InputError
from casebase.intake.answers import (
    STATE_KEYS,
    Reader,
    check_field,
    entries_of,
    field_reader,
    read_unplugged,
    sentences_of,
    state_in_words,
    unplugged_text,
    word_in,
    word_list_reader,
    word_reader,
)
from casebase.intake.plain_words.message import understood_from
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.intake.review import cautions_so_far
from casebase.record.cautions import HIGH_VOLTAGE, MOVING_PARTS, OHMS, RESTRAINTS
from casebase.record.reading import Reading
from casebase.record.vocabulary import (
    LINES_OF_MEDIUM,
    POWER_LINES,
    Battery,
    Ignition,
    Line,
    Look,
    Medium,
    Quantity,
    Stage,
    Tester,
    YesNo,
)
from casebase.record.word_list import Word
from casebase.record.words import reading_line

_QUANTITIES: Final = tuple(quantity for quantity in Quantity if quantity is not Quantity.FAULT)
"""What became of the fault when something was unplugged is asked as a trial."""

_VALUE: Final = ("Value in volt", "2.6, 2.3 to 2.7, unchanged or back to normal")
_VALUES: Final = {
    Quantity.RESISTANCE: ("Value in ohm", "60.2, 1.2k, OL, unchanged or back to normal"),
    Quantity.CURRENT: ("Value, with A or mA", "35 mA, 1.2 A, unchanged or back to normal"),
}
PART: Final = "readings"
_TO: Final = " to "
_OTHER: Final = "other leads"


def ask_readings(data: Data) -> Script:
    """Ask for readings until there are no more: in words, or step by step where only what was measured is named."""
    readings: list[Data] = data.setdefault("readings", [])
    first = len(readings)
    notes = cautions_so_far(data, HIGH_VOLTAGE, RESTRAINTS)
    while True:
        before = len(readings)
        told: str | list[Data] | None = yield _readings_question(data, readings, first, notes)
        if told is None:
            break
        if isinstance(told, str):
            reading: Data = {"quantity": told}
            yield from _Asking(data, reading, first).whole_reading()
            readings.append(reading)
        else:
            yield from _on_a_network(data, told, before - first)
            readings += told
        notes = tuple(f"  {_read_as(one)}" for one in readings[before:])
    yield from _ask_state(readings[first:])


def _readings_question(data: Data, readings: list[Data], first: int, notes: tuple[str, ...]) -> Question:
    before = readings[-1]["quantity"] if readings else Quantity.VOLTAGE

    def read(text: str) -> str | list[Data] | None:
        if text.casefold() in {"n", "no", "none"}:
            return None
        if text.casefold() in {"y", "yes"}:
            return str(before)
        quantity = word_in(Quantity, text)
        return str(quantity) if quantity in _QUANTITIES else readings_reader(data)(text)

    more = len(readings) > first
    return Question(
        f"readings[{len(readings)}]",
        PART,
        "More readings (Enter: no more)" if more else "Readings (Enter: none)",
        read,
        example="6 to 14 60.2 ohm; H 2.6 L 2.4; LIN 9.8 at connector of DDM",
        help="Lines or pins, then the value; where, and the state, if you like. One word alone (resistance, voltage,"
        " waveform, AC voltage, current) asks for one reading step by step.",
        notes=notes,
        so_far=len(readings) - first,
    )


def readings_reader(data: Data, stage: Stage | None = None) -> Callable[[str], list[Data]]:
    """Return a reader of readings in words; `stage` is that of all of them, else isolation where modules were off."""
    media = {network["medium"] for network in data.get("networks", ())}
    medium = f"{next(iter(media))}: " if len(media) == 1 else ""

    def read(text: str) -> list[Data]:
        said, state = _without_state(text)
        told = [{**item.data} for item in understood_from(f"{medium}{said}").of("readings")]
        if not told:
            raise InputError(
                f"'{text[:60]}': no reading was found in that: expected lines or pins and a value, such as"
                " '6 to 14 60.2 ohm' or 'H 2.6', or one word: resistance, voltage, waveform, AC voltage, current"
            )
        for one in told:
            one.update(state[_kind_of(one)])
            if stage or one.get("unplugged", "nothing") not in ("nothing", []):
                one["stage"] = str(stage or Stage.ISOLATION)
            for key, value in one.items():
                check_field(f"readings[0].{key}", value, one)
        return told

    return read


def _without_state(text: str) -> tuple[str, dict[str, Data]]:
    """Return a line without the entries that say the state of the vehicle, and that state."""
    said, state = [], []
    for entry in sentences_of(text):
        parts = entry.split(", ")
        state += [part for part in parts if _is_state(part)]
        said.append(", ".join(part for part in parts if not _is_state(part)))
    return "; ".join(said), read_state("; ".join(state))


def _is_state(text: str) -> bool:
    with suppress(InputError):
        return bool(_state(text)) and not understood_from(text).of("readings")
    return False


def _kind_of(reading: Data) -> str:
    return "ohms" if reading["quantity"] == Quantity.RESISTANCE else "volts"


def _read_as(reading: Data) -> str:
    return f"read as: {reading_line(Reading.model_validate(reading))}"


def _on_a_network(data: Data, told: list[Data], so_far: int) -> Script:
    """Ask on which network the readings were taken, where the record has several."""
    names = tuple(network["name"] for network in data.get("networks", ()))
    if len(names) < 2:
        return
    last = next((one["network"] for one in reversed(data["readings"]) if "network" in one), names[0])
    key = f"readings[{len(data['readings'])}].network"
    name = yield Question(
        key, PART, "On which network", word_reader(names), words=names, default=last, so_far=so_far
    )
    for one in told if name else ():
        one.setdefault("network", name)


def _ask_state(readings: list[Data]) -> Script:
    """Ask once how the vehicle was, for the readings that do not say it: ohms and powered readings each their part."""
    untold = [one for one in readings if not any(key in one for key in STATE_KEYS)]
    if not untold:
        return
    ohms = any(one["quantity"] == Quantity.RESISTANCE for one in untold)
    told: dict[str, Data] = yield Question(
        "readings.state",
        PART,
        "State of the vehicle for these (Enter: not noted)",
        read_state,
        example="ohms: battery off; volts: key on; nothing unplugged",
        help="Ignition, battery, tester and what was unplugged, for the readings above that do not say it themselves."
        " 'ohms:' or 'volts:' says which are meant; without it battery off goes to ohms, key on to all else.",
        notes=(OHMS,) if ohms else (),
        so_far=len(readings),
    )
    for one in untold if told else ():
        one.update(told[_kind_of(one)])
        if isinstance(one.get("unplugged"), list) and one["unplugged"] and "stage" not in one:
            one["stage"] = str(Stage.ISOLATION)


_SCOPE: Final = re.compile(r"(?P<scope>ohms?|resistance|volts?|voltage|scope)\s*:\s*", re.IGNORECASE)
_OFF: Final = re.compile(r"(?P<names>.+?)\s+(?:unplugged|disconnected|off)", re.IGNORECASE)
_STATE: Final = re.compile(
    r"(?P<what>key|ignition|ign|contact|battery|batt?|tester)\s*:?\s*(?:is |was )?(?P<word>\w+)"
    r"|(?P<engine>engine )?running|(?P<crank>cranking)",
    re.IGNORECASE,
)
_WORDS_OF_STATE: Final[dict[str, type[Word]]] = {"ignition": Ignition, "battery": Battery, "tester": Tester}
_BATTERY_WORDS: Final = {"off": Battery.DISCONNECTED, "on": Battery.CONNECTED, "out": Battery.DISCONNECTED}


def read_state(text: str) -> dict[str, Data]:
    """Return the state in which ohms, and in which all else, was read.

    >>> read_state("ohms: battery off; key on")
    {'ohms': {'battery': 'disconnected'}, 'volts': {'ignition': 'on'}}
    """
    told: dict[str, Data] = {"ohms": {}, "volts": {}}
    scope = ""
    for entry in sentences_of(text):
        named = _SCOPE.match(entry)
        if named:
            scope = "ohms" if named["scope"].lower()[0] in "or" else "volts"
        for part in entries_of(entry[named.end() :] if named else entry):
            key, value = _state(part)
            for kind in _meant(key, value, scope if named else ""):
                told[kind][key] = value
    return told


def _meant(key: str, value: Any, scope: str) -> tuple[str, ...]:
    """Return which readings a state is of: ohms are read unpowered, all else powered."""
    if scope:
        return (scope,)
    if key == "unplugged":
        return ("ohms", "volts")
    unpowered = value in {Battery.DISCONNECTED, Ignition.OFF}
    return ("ohms",) if unpowered else ("volts",)


def _state(text: str) -> tuple[str, Any]:
    found = _STATE.fullmatch(text)
    if found and found["what"] and found["what"].lower().startswith("bat"):
        word = found["word"].lower()
        return _checked("battery", str(_BATTERY_WORDS.get(word, word)))
    if found and found["what"]:
        return _checked("tester" if found["what"].lower() == "tester" else "ignition", found["word"])
    if found:
        return "ignition", str(Ignition.CRANKING if found["crank"] else Ignition.RUNNING)
    if text.casefold() in {"nothing unplugged", "all plugged in", "nothing"}:
        return "unplugged", "nothing"
    off = _OFF.fullmatch(text)
    if off:
        return "unplugged", read_unplugged(off["names"].replace(" and ", ","))
    raise InputError(
        f"'{text[:60]}': expected ignition, battery, tester or what was unplugged, such as"
        " 'ohms: battery off; volts: key on; nothing unplugged'"
    )


def _checked(key: str, text: str) -> tuple[str, Any]:
    word = word_in(_WORDS_OF_STATE[key], text)
    if word is None:
        raise InputError(f"'{text[:40]}' is no state of {key}: expected {', '.join(_WORDS_OF_STATE[key])}")
    return key, str(word)


class _Asking:
    """Asks for one reading, with the readings before it at hand."""

    def __init__(self, data: Data, reading: Data, first: int) -> None:
        self.data = data
        self.reading = reading
        self.before: list[Data] = data["readings"]
        self.so_far = len(self.before) - first
        self.last = self.before[-1] if self.before else {}

    def whole_reading(self) -> Script:
        """Ask everything about the reading in the order it is taken: where, in which state, what it showed."""
        names = tuple(network["name"] for network in self.data.get("networks", ()))
        if len(names) > 1:
            default = self.last.get("network", names[0])
            yield from self.ask(
                "network", "On which network", word_reader(names), words=names, default=default
            )
        yield from self._lines()
        yield from self.ask(
            "at",
            "Where",
            field_reader("readings[0].at"),
            example="DLC, connector of ABS, splice S204",
            default=self.last.get("at", "DLC"),
        )
        yield from self._state()
        if self.reading["quantity"] == Quantity.WAVEFORM:
            medium = self._medium()
            lines = LINES_OF_MEDIUM[medium] if medium else ()
            self.reading["waveform"] = yield from ask_waveform(self.question, lines)
        else:
            yield from self._value()

    def ask(self, field: str, prompt: str, read: Reader, **more: Any) -> Asked:
        """Ask one field of the reading."""
        return put(self.reading, field, self.question(field, prompt, read, **more))

    def question(self, field: str, prompt: str, read: Reader, **more: Any) -> Question:
        """Return the question for one field of the reading."""
        key = f"readings[{len(self.before)}].{field}"
        return Question(key, PART, prompt, read, so_far=self.so_far, **more)

    def _medium(self) -> Medium | None:
        networks = self.data.get("networks", [])
        named = self.reading.get("network")
        fitting = [network for network in networks if named in (None, network["name"])]
        return Medium(fitting[0]["medium"]) if len(fitting) == 1 else None

    def _lines(self) -> Script:
        """Ask what was measured against what; levels on a scope are asked line by line instead."""
        if self.reading["quantity"] == Quantity.WAVEFORM:
            return
        medium = self._medium()
        pair = (yield self._pair_question(medium)) if medium else _OTHER
        if pair != _OTHER:
            self.reading["line"], self.reading["against"] = pair.split(_TO)
            return
        lines = (*LINES_OF_MEDIUM[medium], *POWER_LINES) if medium else tuple(Line)
        yield from self.ask(
            "line", "Line", word_reader(lines), words=lines, example="CAN high, or its number", required=True
        )
        others = tuple(line for line in lines if line != self.reading["line"])
        yield from self.ask("against", "Against", word_reader(others), words=others, example="ground")

    def _pair_question(self, medium: Medium) -> Question:
        """Offer the usual pairs; first the one not measured yet with this quantity, at this place and stage."""
        pairs = _usual_pairs(medium, self.reading["quantity"])
        words = (*pairs, _OTHER)
        alike = (self.reading["quantity"], self.last.get("at"), _stage_of(self.last))
        measured = [
            f"{earlier.get('line')}{_TO}{earlier.get('against')}"
            for earlier in self.before
            if (earlier["quantity"], earlier.get("at"), _stage_of(earlier)) == alike
        ]
        default = next((pair for pair in pairs if pair not in measured), pairs[0])
        return self.question(
            "pair", "Between", word_reader(words), words=words, example="2", default=default, required=True
        )

    def _state(self) -> Script:
        """Ask for the state of the vehicle: in one question where it may be as for the last such reading."""
        # Ohms are read unpowered, all else powered: only such a reading can have been taken in the same state.
        ohms = self.reading["quantity"] == Quantity.RESISTANCE
        alike = (it for it in reversed(self.before) if (it["quantity"] == Quantity.RESISTANCE) == ohms)
        earlier = next(alike, None)
        if earlier and any(key in earlier for key in STATE_KEYS):
            same = yield self.question(
                "same_state",
                f"Same state: {state_in_words(earlier)}?",
                word_reader(tuple(YesNo)),
                example="no, to give another state",
                default="yes",
            )
            if same == YesNo.YES:
                self.reading.update({key: earlier[key] for key in STATE_KEYS if key in earlier})
                return
        yield from self._state_in_full(earlier or {})

    def _state_in_full(self, earlier: Data) -> Script:
        is_resistance = self.reading["quantity"] == Quantity.RESISTANCE
        words = tuple(Ignition)
        yield from self.ask(
            "ignition",
            "Ignition",
            word_reader(words),
            words=words,
            default=earlier.get("ignition"),
            notes=(OHMS,) if is_resistance else (),
        )
        running = self.reading.get("ignition") == Ignition.RUNNING
        yield from self.ask(
            "battery",
            "Vehicle battery",
            word_reader(tuple(Battery)),
            words=tuple(Battery),
            default=earlier.get("battery"),
            notes=(MOVING_PARTS,) if running else (),
        )
        yield from self.ask(
            "unplugged",
            "Unplugged (several: with ,; or nothing)",
            read_unplugged,
            example="ABS, or nothing",
            help="Modules or connectors off while measuring. Enter alone means: not known.",
            default=unplugged_text(earlier),
        )
        if not is_resistance:
            yield from self.ask(
                "tester",
                "Diagnostic tester",
                word_reader(tuple(Tester)),
                words=tuple(Tester),
                help="Whether a tester was talking on the network while you measured.",
                default=earlier.get("tester"),
            )
        yield from self._stage()

    def _stage(self) -> Script:
        if self.reading.get("unplugged") not in (None, "nothing"):
            stages = (Stage.AS_FOUND, Stage.ISOLATION)
            yield from self.ask(
                "stage",
                "Taken as found, or while isolating",
                word_reader(stages),
                words=stages,
                default=str(Stage.ISOLATION),
            )

    def _value(self) -> Script:
        quantity = self.reading["quantity"]
        prompt, example = _VALUES.get(Quantity(quantity), _VALUE)
        read = field_reader("readings[0].value", {"quantity": quantity})
        yield from self.ask("value", prompt, read, example=example, required=True)


def ask_waveform(question: Callable[..., Question], lines: tuple[Line, ...]) -> Asked:
    """Ask what the scope showed on `lines`; `question` makes a question of the reading. Returns the waveform."""
    seen: Data = {}
    answers, looks = tuple(YesNo), tuple(Look)
    yield from put(seen, "traffic", question("traffic", "Traffic seen", word_reader(answers), words=answers))
    order = f": {'; '.join(lines)}" if lines else ", each with its line"
    example = "2.5; 2.5" if len(lines) == 2 else "2.5" if lines else "CAN high 2.5; CAN low 2.5"
    for level, when in (("recessive", "at rest"), ("dominant", "while a module drives it")):
        level_question = question(
            level,
            f"{level.capitalize()} level in volt{order}",
            _levels_reader(level, lines),
            example=example,
            help=f"The level of each line {when}, separated by ;  A - stands for a line not seen.",
        )
        yield from put(seen, level, level_question)
    yield from put(
        seen,
        "looks",
        question("looks", "How it looks (several: with ,)", word_list_reader(looks), words=looks),
    )
    note = field_reader("readings[0].waveform.note")
    yield from put(seen, "note", question("waveform_note", "Anything else on it", note))
    return seen


def _levels_reader(level: str, lines: tuple[Line, ...]) -> Callable[[str], dict[str, str]]:
    """Return a reader of levels parted by semicolons, in the order of `lines` or each with its line before it."""
    read_line = word_reader(tuple(Line))

    def read(text: str) -> dict[str, str]:
        entries = [entry.strip() for entry in text.split(";")]
        if lines and len(entries) > len(lines):
            raise InputError(f"{len(entries)} levels for {len(lines)} lines: expected {'; '.join(lines)}")
        levels: dict[str, str] = {}
        for index, entry in enumerate(entries):
            if entry != "-" and lines:
                levels[str(lines[index])] = entry
            elif entry != "-":
                named, _, value = entry.removesuffix(" V").rpartition(" ")
                levels[read_line(named or entry)] = value
        check_field(f"readings[0].waveform.{level}", levels)
        return levels

    return read


def _usual_pairs(medium: Medium, quantity: str) -> tuple[str, ...]:
    """Return what is usually measured against what, in the usual order (common practice, no source)."""
    lines = LINES_OF_MEDIUM[medium]
    to_ground = [f"{line}{_TO}{Line.GROUND}" for line in lines]
    is_pair = len(lines) == 2 and Line.K_LINE not in lines
    across = [_TO.join(lines)] if is_pair else []
    pairs = [*across, *to_ground] if quantity == Quantity.RESISTANCE else [*to_ground, *across]
    return (*pairs, *(f"{line}{_TO}{Line.BATTERY_PLUS}" for line in lines))


def _stage_of(reading: Data) -> str:
    return str(reading.get("stage", Stage.AS_FOUND))
