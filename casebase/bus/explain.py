"""A diagnosis in words: the verdict in one sentence, what each reading speaks for and against, what clashes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.bus.diagnose import Diagnosis, Evidence
from casebase.bus.interpret import side_of
from casebase.bus.nexttest import NextTest
from casebase.bus.observation import LevelRead, Observation, column_of
from casebase.bus.observe import View
from casebase.bus.scope_share import ShareRead
from casebase.bus.words import state_words
from casebase.record.reading import Reading
from casebase.record.vocabulary import BusState
from casebase.record.words import per_cent

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
    """Return what the readings can mean, in one or two sentences; clashes come first."""
    if not diagnosis.observations:
        return "No reading here tells anything about the state of the bus."
    if diagnosis.clashes:
        return f"These readings do not fit together. {clash_words(diagnosis)[0]} Take them again before believing any."
    ranked = diagnosis.ranked()
    first, share = ranked[0]
    named = ", or ".join(state_words(state) for state in diagnosis.credible()[:MOST_NAMED])
    where = (
        f" It goes with {diagnosis.host[0]}: look in it, its plug and what hangs behind."
        if diagnosis.host
        else ""
    )
    if share >= SURE_FROM:
        sure = f"(probability {_shown(share)} among the states computed)"
        return f"These readings fit {state_words(first)} {sure}.{where}"
    if share >= LIKELY_FROM:
        others = ", ".join(f"{state_words(state)} {part:.2f}" for state, part in ranked[1:4] if part >= 0.02)
        likely = f"Most likely {state_words(first)} (probability {share:.2f} among the states computed)"
        return f"{likely}; not ruled out: {others}.{where}"
    return f"Not decided: {named}. No reading given tells these apart.{where}"


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
        return f"No bus in any state reads {told[0]}."
    return f"{told[0]} does not go with {told[1]}."


def _observed(diagnosis: Diagnosis, observation: Observation) -> str:
    """Return what was observed; of a scope that one thing, not all that its picture told."""
    readings = [diagnosis.readings[index] for index in observation.readings]
    if isinstance(observation, LevelRead):
        return f"{readings[0].what()}, {_level_words(readings[0], observation)}"
    if isinstance(observation, ShareRead):
        return f"{readings[0].what()}, driven {per_cent(observation.share)} of the time"
    return " and ".join(map(reading_words, readings))


def _level_words(reading: Reading, level: LevelRead) -> str:
    state, _, side = level.quantity.partition("_")
    seen = getattr(reading.waveform, state)
    line = next(line for line in seen if side_of(line) == side)
    return f"{line} {state} {seen[line]}"


def split_words(test: NextTest) -> list[str]:
    """Return what a test tells apart, in words."""
    told = [f"{state_words(one)} from {state_words(other)}" for one, other in test.splits]
    where = test.candidate.unplugged or "the branch read"
    return [*told, f"whether it lies in {where}"] if test.tells_where else told


def reading_words(reading: Reading) -> str:
    """Return a reading with its value."""
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
        return _between(_ohms(low), _ohms(high))
    return _between(f"{low + 0.0:.2f}", f"{high:.2f}").replace("-0.00", "0.00") + " V"


def _between(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"


def _ohms(value: float) -> str:
    if value >= 2e6:
        return "OL"
    if value >= 1000:
        return f"{value / 1000:.1f} kohm"
    return f"{value:.0f} ohm" if value >= 10 else f"{value:.1f} ohm"
