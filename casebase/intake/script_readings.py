"""The readings of the interview: one by one, each offering what the reading before it makes likely."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from casebase.errors import InputError
from casebase.intake.answers import (
    STATE_KEYS,
    Reader,
    check_field,
    field_reader,
    read_unplugged,
    state_in_words,
    unplugged_text,
    word_list_reader,
    word_reader,
)
from casebase.intake.question import Asked, Data, Question, Script, put
from casebase.intake.review import cautions_so_far
from casebase.record.cautions import HIGH_VOLTAGE, MOVING_PARTS, OHMS, RESTRAINTS
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

_QUANTITIES: Final = tuple(quantity for quantity in Quantity if quantity is not Quantity.FAULT)
"""What became of the fault when something was unplugged is asked as a trial."""

_VALUE: Final = ("Value in volt", "2.6, 2.3 to 2.7, unchanged or back to normal")
_VALUES: Final = {
    Quantity.RESISTANCE: ("Value in ohm", "60.2, 1.2k, OL, unchanged or back to normal"),
    Quantity.CURRENT: ("Value, with A or mA", "35 mA, 1.2 A, unchanged or back to normal"),
}
_TO: Final = " to "
_OTHER: Final = "other leads"


def ask_readings(data: Data, part: str, stage: Stage | None = None) -> Script:
    """Ask for readings until there are no more; `stage` is fixed after the repair, else asked with the state."""
    readings: list[Data] = data.setdefault("readings", [])
    first = len(readings)
    while True:
        reading: Data = {}
        cautions = () if len(readings) > first else cautions_so_far(data, HIGH_VOLTAGE, RESTRAINTS)
        yield from put(reading, "quantity", _quantity_question(readings, part, first, cautions))
        if not reading:
            return
        yield from _Asking(data, reading, part, stage, first).whole_reading()
        readings.append(reading)


def _quantity_question(readings: list[Data], part: str, first: int, cautions: tuple[str, ...]) -> Question:
    before = readings[-1]["quantity"] if readings else Quantity.VOLTAGE
    read_word = word_reader(_QUANTITIES)

    def read(text: str) -> str | None:
        if text.casefold() in {"n", "no", "none"}:
            return None
        return str(before) if text.casefold() in {"y", "yes"} else read_word(text)

    more = len(readings) > first
    first_prompt = (
        "Reading after the repair? (Enter: none)"
        if part == "verification"
        else "Reading taken? (Enter: none)"
    )
    return Question(
        f"{_key(part, len(readings))}.quantity",
        part,
        "Another reading? (Enter: no more)" if more else first_prompt,
        read,
        example="2, or voltage",
        help="Choose what was measured. A waveform is what a scope showed.",
        words=_QUANTITIES,
        notes=cautions,
        so_far=len(readings) - first,
    )


def _key(part: str, index: int) -> str:
    """Return the key of a reading's questions: after the repair its own, since the count goes on there."""
    return f"readings[{index}]" if part == "readings" else f"{part}.readings[{index}]"


class _Asking:
    """Asks for one reading, with the readings before it at hand."""

    def __init__(self, data: Data, reading: Data, part: str, stage: Stage | None, first: int) -> None:
        self.data = data
        self.reading = reading
        self.part = part
        self.stage = stage
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
        key = f"{_key(self.part, len(self.before))}.{field}"
        return Question(key, self.part, prompt, read, so_far=self.so_far, **more)

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
        alike = (self.reading["quantity"], self.last.get("at"), str(self.stage or _stage_of(self.last)))
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
                self._set_fixed_stage()
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
        self._set_fixed_stage()
        if self.stage is None and self.reading.get("unplugged") not in (None, "nothing"):
            stages = (Stage.AS_FOUND, Stage.ISOLATION)
            yield from self.ask(
                "stage",
                "Taken as found, or while isolating",
                word_reader(stages),
                words=stages,
                default=str(Stage.ISOLATION),
            )

    def _set_fixed_stage(self) -> None:
        if self.stage:
            self.reading["stage"] = str(self.stage)

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
            help=f"The level of each line {when}, parted by ;  A - stands for a line not seen.",
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
