"""A diagnosis in words: the verdict in one sentence, what each reading speaks for and against, what clashes.

Bus states and simulated quantities in plain English.

A picture of the levels in words: one sentence per mark, with where it lies against what is expected.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.bus.diagnose import Diagnosis, Evidence, Size
from casebase.bus.instruments import View
from casebase.bus.interpret import ShareRead
from casebase.bus.levels import Levels, LineSum, Mark, OhmRuler, VoltRuler
from casebase.bus.measured import side_of
from casebase.bus.media import Band
from casebase.bus.next_test import NextTest
from casebase.bus.observation import LevelRead, Observation, TrafficRead, column_of
from casebase.bus.posterior import OUTSIDE_FROM
from casebase.bus.remarks import OPEN_STATES, remarks
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState, Quantity
from casebase.record.words import per_cent

STATE_WORDS: Final = {
    BusState.HEALTHY: "a healthy bus as seen from here",
    BusState.BUS_QUIET: "a bus awake without traffic",
    BusState.BUS_ASLEEP: "a bus asleep",
    BusState.LINES_SHORTED_TOGETHER: "lines shorted together",
    BusState.HIGH_SHORTED_TO_GROUND: "CAN high shorted to ground",
    BusState.LOW_SHORTED_TO_GROUND: "CAN low shorted to ground",
    BusState.HIGH_SHORTED_TO_BATTERY: "CAN high shorted to battery +",
    BusState.LOW_SHORTED_TO_BATTERY: "CAN low shorted to battery +",
    BusState.HIGH_OPEN: "CAN high open",
    BusState.LOW_OPEN: "CAN low open",
    BusState.BOTH_OPEN: "both lines open",
    BusState.TERMINATOR_MISSING: "a terminator missing",
    BusState.BOTH_TERMINATORS_MISSING: "both terminators missing",
    BusState.EXTRA_TERMINATOR: "a terminator too many",
    BusState.DRIVER_STUCK_DOMINANT: "a driver stuck dominant",
    BusState.POOR_JOINT: "a poor joint in one line",
    BusState.TERMINATOR_WRONG_VALUE: "a terminator of the wrong value",
    BusState.LEAK: "a leak, as of a wet connector",
    BusState.MODULE_LOADS_LINES: "a module without supply that loads the lines",
    BusState.GROUND_OFFSET: "a module whose ground is lifted",
    BusState.ONE_AWAKE_ALONE: "one module awake alone",
    BusState.LINE_SHORTED_TO_GROUND: "line shorted to ground",
    BusState.LINE_SHORTED_TO_BATTERY: "line shorted to battery +",
    BusState.LINE_OPEN: "line open",
    BusState.PULL_UP_MISSING: "pull-up missing",
}


def state_words(state: BusState) -> str:
    """Return a bus state in plain English."""
    return STATE_WORDS[state]


SURE_FROM: Final = 0.9
LIKELY_FROM: Final = 0.7
MOST_NAMED: Final = 4


@dataclass(frozen=True)
class EvidenceRow:
    """One reading, what it speaks for, and what it speaks against with what that would read."""

    reading: str
    favours: tuple[str, ...]
    against: tuple[str, ...]


def verdict(diagnosis: Diagnosis) -> str:
    """Return what the readings can mean, in a few sentences; what does not go together comes first."""
    bare = [each.words() for each in diagnosis.interpreted.bare_modules]
    return " ".join((_said_of_bus(diagnosis), *remarks(diagnosis), *bare))


def _said_of_bus(diagnosis: Diagnosis) -> str:
    if not diagnosis.observations:
        return "No reading here tells anything about the state of the bus."
    if diagnosis.clashes:
        return " ".join(_said_of_clash(diagnosis))
    if diagnosis.outside >= OUTSIDE_FROM:
        return (
            f"These readings fit none of the faults computed (probability {_shown(diagnosis.outside)})."
            f" Nearest: {named_state(diagnosis, diagnosis.ranked()[0][0])}."
            " Take the oddest reading again, then think of two faults at once."
        )
    return f"{_meant(diagnosis)}{_where(diagnosis)}{_doubted(diagnosis)}"


def _doubted(diagnosis: Diagnosis) -> str:
    if not diagnosis.doubts:
        return ""
    return f" A healthy bus reads the same with {', or '.join(diagnosis.doubts)}: rule that out first."


def _meant(diagnosis: Diagnosis) -> str:
    ranked = diagnosis.ranked()
    first, share = ranked[0]
    among = "among the states computed"
    if share >= SURE_FROM:
        return f"These readings fit {named_state(diagnosis, first)} (probability {_shown(share)} {among})."
    if share >= LIKELY_FROM:
        others = ", ".join(f"{state_words(state)} {part:.2f}" for state, part in ranked[1:4] if part >= 0.02)
        likely = f"Most likely {named_state(diagnosis, first)} (probability {share:.2f} {among})"
        return f"{likely}; not ruled out: {others}."
    named = ", or ".join(state_words(state) for state in diagnosis.credible()[:MOST_NAMED])
    return f"Not decided: {named}. No reading given tells these apart."


def _where(diagnosis: Diagnosis) -> str:
    if not diagnosis.host:
        return ""
    module = diagnosis.host[0]
    if diagnosis.ranked()[0][0] in OPEN_STATES:
        return f" It lies on the way to {module}: look along its branch and in its plug."
    return f" It goes with {module}: look in it, at its plug and at what is wired behind it."


def named_state(diagnosis: Diagnosis, state: BusState) -> str:
    """Return a state in plain English, with how much of it there is."""
    size = diagnosis.size_of(state)
    return (
        state_words(state) if size is None else f"{state_words(state)}{_size_words(diagnosis, state, size)}"
    )


def _size_words(diagnosis: Diagnosis, state: BusState, size: Size) -> str:
    if state is BusState.GROUND_OFFSET:
        return f", by about {size.middle:.1f} V ({size.low:.1f} to {size.high:.1f})"
    about = f"about {ohms_words(size.middle)} ({ohms_words(size.low)} to {ohms_words(size.high)})"
    if state is BusState.POOR_JOINT:
        line = diagnosis.line_of(state)
        of_line = f", most likely CAN {line[0]}" if line and line[1] >= LIKELY_FROM else ""
        return f"{of_line}: {about}"
    if state is BusState.TERMINATOR_WRONG_VALUE:
        other = 1 / max(1 / size.middle - 1 / 120.0, 1e-6)
        instead = f": one of about {ohms_words(other)} in place of 120" if 40.0 < other < 2e3 else ""
        return f", together {about}{instead}"
    if state is BusState.EXTRA_TERMINATOR:
        return f", together {about}"
    if state in {BusState.LEAK, BusState.MODULE_LOADS_LINES}:
        return f", {about}"
    return f" through {ohms_words(size.high)} or less" if size.high < HARD_SHORT_OHMS else f" through {about}"


HARD_SHORT_OHMS: Final = 5.0


def _said_of_clash(diagnosis: Diagnosis) -> Iterator[str]:
    """Yield what is said of readings that do not go together: which, by which slip, what the others mean."""
    clash = diagnosis.clashes[0]
    together = "" if diagnosis.is_one_reading_alone else "These readings do not fit together. "
    yield f"{together}{clash_words(diagnosis)[0]}"
    slips = [slip for place in clash.observations if (slip := diagnosis.slip_in(place))]
    if slips:
        yield f"A common slip would explain it: {slips[0]}."
    suspect, rest = diagnosis.suspect, diagnosis.reconciled
    if suspect is not None and rest is not None:
        yield f"Without {_observed(diagnosis, diagnosis.observations[suspect])}: {_lowered(_meant(rest))}"
    yield "Take it again before believing any; if it repeats, believe it, and look for a second fault."


def _lowered(sentence: str) -> str:
    return f"{sentence[:1].lower()}{sentence[1:]}"


def _shown(share: float) -> str:
    """A simulation of some thousand buses cannot tell certainty."""
    return "over 0.99" if share > 0.99 else f"{share:.2f}"


def evidence_rows(diagnosis: Diagnosis) -> list[EvidenceRow]:
    """Return what each reading says, in words."""
    return [_row(diagnosis, evidence) for evidence in diagnosis.evidence]


def clash_words(diagnosis: Diagnosis) -> list[str]:
    """Return the clashes in words, the worst first."""
    return [_clash(diagnosis, clash.observations) for clash in diagnosis.clashes[:MOST_NAMED]]


def _clash(diagnosis: Diagnosis, observations: tuple[int, ...]) -> str:
    told = [_observed(diagnosis, diagnosis.observations[number]) for number in observations]
    if len(told) == 1:
        if diagnosis.is_one_reading_alone:
            shown = "Hardly any bus reads" if diagnosis.is_shown_by_some_bus else "No bus in any state reads"
            return f"{shown} {told[0]}."
        return f"{told[0]} does not go with the others."
    return f"{told[0]} does not go with {told[1]}."


def _observed(diagnosis: Diagnosis, observation: Observation) -> str:
    """Return what was observed; of a scope that one thing, not all that its picture told."""
    readings = [diagnosis.readings[index] for index in observation.readings]
    if isinstance(observation, LevelRead):
        return f"{readings[0].what()}, {_level_words(readings[0], observation)}"
    if isinstance(observation, ShareRead):
        return f"{readings[0].what()}, driven {per_cent(observation.share)} of the time"
    if isinstance(observation, TrafficRead) and readings[0].traffic is not None:
        return f"{'traffic' if observation.seen else 'no traffic'} seen at {readings[0].at}"
    return " and ".join(map(reading_words, readings))


def _level_words(reading: Reading, level: LevelRead) -> str:
    state, _, side = level.quantity.partition("_")
    seen = getattr(reading.waveform, state)
    line = next(line for line in seen if side_of(line) == side)
    return f"{line} {state} {seen[line]}"


def split_words(test: NextTest) -> list[str]:
    """Return every two states that a test tells apart, in words."""
    told = [f"{state_words(one)} or {state_words(other)}" for one, other in test.splits]
    return [*told, *_where_words(test)]


def told_words(test: NextTest) -> list[str]:
    """Return what a test tells apart, in as few words as a screen has room for."""
    return [*apart_words(test.splits), *_where_words(test)]


def apart_words(splits: Sequence[tuple[BusState, BusState]]) -> list[str]:
    """Return which states are told apart, those told from the same others together."""
    states = list(dict.fromkeys(state for split in splits for state in split))
    if len(states) > 2 and len(splits) == math.comb(len(states), 2):
        return [f"which of {_and(states)}"]
    left, told = list(splits), []
    while left:
        most = max(states, key=lambda state: sum(state in split for split in left))
        others = [other for split in left if most in split for other in split if other is not most]
        any_of = "any of " if len(others) > 1 else ""
        told.append(f"{state_words(most)} or {any_of}{_and(others)}")
        left = [split for split in left if most not in split]
    return told


def _and(states: Sequence[BusState]) -> str:
    *first, last = map(state_words, states)
    return f"{', '.join(first)} and {last}" if first else last


def _where_words(test: NextTest) -> list[str]:
    where = test.candidate.unplugged or "the branch read"
    return [f"whether it lies in {where}"] if test.tells_where else []


def reading_words(reading: Reading) -> str:
    """Return a reading with its value; of a fault with what was unplugged or swapped."""
    if reading.quantity is Quantity.FAULT:
        return f"{reading.what()} {reading.value} with {reading.state()}"
    return f"{reading.what()} {reading.value}" if reading.value is not None else reading.what()


def _row(diagnosis: Diagnosis, evidence: Evidence) -> EvidenceRow:
    observation = next(one for one in diagnosis.observations if evidence.reading in one.readings)
    return EvidenceRow(
        reading_words(diagnosis.readings[evidence.reading]),
        tuple(state_words(state) for state in evidence.favours[:MOST_NAMED]),
        tuple(_against(diagnosis, observation, state) for state in evidence.against[:MOST_NAMED]),
    )


def _against(diagnosis: Diagnosis, observation: Observation, state: BusState) -> str:
    """Return a state with what it would read there, where that is one number."""
    view, quantity = getattr(observation, "view", None), getattr(observation, "quantity", None)
    if view is None or quantity is None:
        return state_words(state)
    return f"{state_words(state)}, which would read {would_read(diagnosis, view, quantity, state)}"


def would_read(diagnosis: Diagnosis, view: View, quantity: str, state: BusState) -> str:
    """Return the range that nine in ten simulated buses of `state` show, in words."""
    values = column_of(diagnosis.bank, view, quantity)[diagnosis.bank.rows_of(state)]
    low, high = (float(value) for value in np.percentile(values, [5, 95]))
    if quantity.startswith("ohms"):
        return _between(ohms_words(low), ohms_words(high))
    return _between(f"{low + 0.0:.2f}", f"{high:.2f}").replace("-0.00", "0.00") + " V"


def _between(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def ohms_words(value: float) -> str:
    """Return ohms as a meter shows them: `60 ohm`, `1.2 kohm`, `OL`."""
    if value >= 2e6:
        return "OL"
    if value >= 1000:
        return f"{value / 1000:.1f} kohm"
    return f"{value:.0f} ohm" if value >= 10 else f"{value:.1f} ohm"


SUM_MEANING: Final = "about 5 V on a healthy pair, whatever the traffic"
HEALTHY_OHMS: Final = "healthy with nothing unplugged"


@dataclass(frozen=True)
class _Expected:
    """What a mark is held against, with its ends as they are printed."""

    label: str
    low: float
    high: float
    printed: str

    def side(self, number: float) -> str:
        if number < self.low:
            return "below"
        return "above" if number > self.high else "within"


def band_words(band: Band) -> str:
    """Return a band's ends in words: `2.5 to 3.0 V`."""
    return f"{band.low:.1f} to {band.high:.1f} V"


def healthy_words(ruler: OhmRuler) -> str:
    """Return the healthy range of ohms in words: `50 to 70 ohm`; empty where no figure tells it."""
    ohms = ruler.healthy.ohms if ruler.healthy else None
    if ohms and ohms.high >= 1000:
        return f"{ohms.low / 1000:.2g} to {ohms.high / 1000:.2g} kohm"
    return f"{ohms.low:.0f} to {ohms.high:.0f} ohm" if ohms else ""


def sum_words(total: LineSum) -> str:
    """Return a sum in words: `sum of both lines 5.02 V as found`."""
    return f"sum of both lines {total.volts:.2f} V {total.stage}"


def sentences(levels: Levels) -> Iterator[str]:
    """Yield one sentence per mark and per sum, line by line."""
    for ruler in levels.rulers if levels.has_volts else ():
        if not ruler.marks and ruler.usual:
            yield f"{ruler.line}: not read."
        yield from (volt_sentence(ruler, mark) for mark in ruler.marks)
    yield from (f"{sum_words(it).capitalize()} at {it.at}; {SUM_MEANING}." for it in levels.sums)
    for ohms in levels.ohms:
        yield from (ohm_sentence(ohms, mark) for mark in ohms.marks)


def volt_sentence(ruler: VoltRuler, mark: Mark) -> str:
    """Return a mark on a line's ruler as a sentence."""
    scope = f", {mark.level} on the scope" if mark.level else ""
    expected = [
        _Expected(band.label, round(band.low, 1), round(band.high, 1), band_words(band))
        for band in ruler.bands_for(mark)
    ]
    return _sentence(f"{ruler.line}{scope}", mark, expected)


def ohm_sentence(ruler: OhmRuler, mark: Mark) -> str:
    """Return a mark on a ruler of ohms as a sentence."""
    ohms = ruler.healthy.ohms if ruler.healthy else None
    expected = [_Expected(HEALTHY_OHMS, ohms.low, ohms.high, healthy_words(ruler))] if ohms else []
    return _sentence(ruler.between, mark, expected)


def _sentence(subject: str, mark: Mark, expected: Sequence[_Expected]) -> str:
    """Name the band that holds the mark, or else every band that could have."""
    shown = [it for it in expected if it.side(mark.number) == "within"][:1] or expected
    sides = {it.side(mark.number) for it in shown}
    side = sides.pop() if len(sides) == 1 else "outside"
    named = " and ".join(f"{it.label} ({it.printed})" for it in shown)
    return f"{subject}: {mark.words()}{f'; {side} {named}' if named else ''}."
