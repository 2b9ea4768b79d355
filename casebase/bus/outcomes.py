"""What each outcome of a test would mean: the range that the simulated buses of each likely state would read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.diagnose import Diagnosis
from casebase.bus.explain import ohms_words, state_words
from casebase.bus.measured import SINGLE
from casebase.bus.next_test import Candidate, Labels, NextTest
from casebase.record.vocabulary import LINES_OF_MEDIUM, BusState

MOST_OUTCOMES: Final = 3
STATES_TOLD: Final = 5
LEAST_TOLD: Final = 0.03
"""A state less likely than this is not told among the outcomes (judged)."""

NOT_THAT: Final = "anything else: not that; ask again with this reading added"

_INNER: Final = (0.15, 0.5, 0.85)
"""Between which shares of the simulated buses a state is said to read."""

_SCOPE_WORDS: Final = {"traffic": "frames", "asked": "frames"}
SEEN_FROM: Final = 0.6


@dataclass(frozen=True)
class _Outcome:
    """A range for each quantity read, and the states (or modules) that read like that."""

    ranges: tuple[tuple[float, float, float], ...]
    shown: str
    means: str

    def reads_like(self, other: _Outcome) -> bool:
        """Return whether neither reading could be told from the other."""
        return all(
            low <= middle_there <= high or low_there <= middle <= high_there
            for (low, middle, high), (low_there, middle_there, high_there) in zip(
                self.ranges, other.ranges, strict=True
            )
        )


def outcomes_of(diagnosis: Diagnosis, tests: Sequence[NextTest]) -> list[str]:
    """Return what each outcome of a test means, likeliest first: `about 60 ohm: a healthy bus as seen from here`.

    `tests` are one test, or the same with one module unplugged after the other. Where the state is settled, the
    outcome tells in which module it lies, or else whether it is that at all. Empty where all that is likely reads the
    same.
    """
    test = tests[0]
    by_place = _joined(list(_by_place(diagnosis, test, in_turn=len(tests) > 1))) if test.tells_where else []
    found = by_place if len(by_place) > 1 else _joined(list(_by_state(diagnosis, test.candidate)))
    told = [f"{one.shown}: {one.means}" for one in found[:MOST_OUTCOMES]]
    if len(found) > 1:
        return told
    return [*told, NOT_THAT] if len(list(_likely(diagnosis))) == 1 else []


def _joined(found: Sequence[_Outcome]) -> list[_Outcome]:
    """Return the outcomes with those that cannot be told apart as one."""
    joined: list[_Outcome] = []
    for one in found:
        place = next((place for place, other in enumerate(joined) if one.reads_like(other)), None)
        if place is None:
            joined.append(one)
        else:
            before = joined[place]
            joined[place] = _Outcome(before.ranges, before.shown, f"{before.means}, or {one.means}")
    return joined


def _by_state(diagnosis: Diagnosis, candidate: Candidate) -> Iterator[_Outcome]:
    for state in _likely(diagnosis):
        span = diagnosis.bank.rows_of(state)
        rows = np.arange(len(diagnosis.posterior.weights))[span]
        yield _outcome(diagnosis, candidate, rows, state_words(state))


def _likely(diagnosis: Diagnosis) -> Iterator[BusState]:
    yield from (state for state, share in diagnosis.ranked()[:STATES_TOLD] if share >= LEAST_TOLD)


def _by_place(diagnosis: Diagnosis, test: NextTest, *, in_turn: bool) -> Iterator[_Outcome]:
    candidate, names = test.candidate, diagnosis.bank.model.unpluggable
    if candidate.view.unplugged not in names:
        return
    hosts, weights = diagnosis.posterior.hosts, diagnosis.posterior.weights
    here = hosts == names.index(candidate.view.unplugged)
    in_it = f"in {'the module unplugged' if in_turn else candidate.unplugged}, its plug or what lies behind"
    elsewhere = "elsewhere on the network"
    for rows, words in ((here, in_it), (~here, elsewhere)):
        found = np.flatnonzero(rows & (weights > 0))
        if len(found):
            yield _outcome(diagnosis, candidate, found, f"it lies {words}")


def _outcome(diagnosis: Diagnosis, candidate: Candidate, rows: Labels, means: str) -> _Outcome:
    names = _line_names(diagnosis)
    if candidate.kind.quantities[0] in _SCOPE_WORDS:
        return _seen(diagnosis, candidate, rows, means)
    ranges = [_range(diagnosis, candidate, quantity, rows) for quantity in candidate.kind.quantities]
    shown = [
        f"{_line_of(quantity, names)}{_span(quantity, each)}"
        for quantity, each in zip(candidate.kind.quantities, ranges, strict=True)
    ]
    return _Outcome(tuple(ranges), ", ".join(shown), means)


def _seen(diagnosis: Diagnosis, candidate: Candidate, rows: Labels, means: str) -> _Outcome:
    """Return what a scope shows: frames or none, and to which levels the lines are driven."""
    quantities = [f"dominant_{key}" for key in _line_names(diagnosis)]
    ranges = [_range(diagnosis, candidate, quantity, rows) for quantity in quantities]
    rest = [
        _range(diagnosis, candidate, quantity.replace("dominant", "recessive"), rows)
        for quantity in quantities
    ]
    driven = max(abs(up[1] - down[1]) for up, down in zip(ranges, rest, strict=True)) >= SEEN_FROM
    levels = ranges if driven else rest
    told = ", ".join(
        f"{name} {level[1] + 0.0:.1f} V"
        for name, level in zip(_line_names(diagnosis).values(), levels, strict=True)
    )
    return _Outcome(tuple(levels), f"frames to {told}" if driven else f"no frames, {told}", means)


def _range(
    diagnosis: Diagnosis, candidate: Candidate, quantity: str, rows: Labels
) -> tuple[float, float, float]:
    """Return between what most of these buses read, and the middle; weighed by what explains the readings so far."""
    view = candidate.view
    values: Array = np.asarray(
        diagnosis.bank.columns(view.unplugged)[view.column(quantity)], dtype=np.float64
    )[rows]
    weights = diagnosis.posterior.weights[rows]
    if not weights.sum():
        weights = np.ones(len(rows))
    order = np.argsort(values)
    held = np.cumsum(weights[order])
    places = np.searchsorted(held, np.array(_INNER) * held[-1])
    low, middle, high = (float(value) for value in values[order][np.minimum(places, len(values) - 1)])
    return low, middle, high


def _line_names(diagnosis: Diagnosis) -> dict[str, str]:
    lines = LINES_OF_MEDIUM[diagnosis.bank.model.medium]
    # K-line has a second line, which wakes modules and carries nothing: it is simulated as one line.
    keys = ("line",) if lines[0] in SINGLE else ("high", "low")
    return {key: str(line) for key, line in zip(keys, lines, strict=False)}


def _line_of(quantity: str, names: dict[str, str]) -> str:
    key = next((key for key in ("high", "low") if f"_{key}" in quantity), None)
    return f"{names[key]} " if key in names else ""


def _span(quantity: str, ends: tuple[float, float, float]) -> str:
    low, middle, high = ends
    if quantity.startswith("ohms"):
        near = high - low <= 0.1 * middle
        return f"about {ohms_words(middle)}" if near else _between(ohms_words(low), ohms_words(high))
    near = high - low <= 0.15
    return f"about {middle + 0.0:.1f} V" if near else _between(f"{low + 0.0:.1f}", f"{high + 0.0:.1f} V")


def _between(low: str, high: str) -> str:
    return low if low == high else f"{low} to {high}"
