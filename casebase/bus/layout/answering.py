"""Which modules answer a tester, on every row: frames must reach them with enough difference, and theirs come back.

Judged by direct-current levels, as far as those decide: difference while driven and at rest, common mode, and how
slowly lines come back that nothing joins. What a receiver takes for driven and for rest: ISO 11898-2, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.layout.rows import Rows
from casebase.bus.layout.seen import Faults, Output, Seen
from casebase.bus.layout.solving import Changed, Index, Pair, TwoByTwo
from casebase.bus.layout.ways import ROWS
from casebase.bus.layout.whereabouts import Evidence
from casebase.record.modules import module_identity

EVERY: Final = 4
"""Of so many neighbouring rows one is computed: what answers hardly depends on the healthy part."""

DRIVEN_VOLTS, SOFT_VOLTS = 0.75, 0.07
"""Between 0.5 V, at rest for certain, and 0.9 V, driven for certain."""

COMMON_LEAST_VOLTS, COMMON_MOST_VOLTS, SOFT_COMMON_VOLTS = -5.0, 9.0, 1.5
"""-2 to 7 V is required, chips take -12 to 12 V or more."""

SLOW_OHMS, SOFT_SLOW = 700.0, 0.4
"""Between the lines, from where they come back too slowly at 500 kbit/s: 4 to 9 microseconds at some kilohms."""

TESTER: Final = Output(4.3, 0.7, 30.0, 0.08)


def answer_chances(rows: Rows) -> Array:
    """Return how likely each module answers, shape (modules and those beside, ways, rows)."""
    modules, beside = len(rows.wiring.modules), len(rows.wiring.beside)
    found = np.ones((modules + beside, *rows.shape))
    found[:modules] = _heard(rows)
    for index, way in enumerate(rows.ways):
        for module in way.dead:
            found[module, index] *= 0.0 if way.works is None else way.works
    return found


def _heard(rows: Rows) -> Array:
    """Return how likely each module and a tester understand each other, by the levels; (modules, ways, rows)."""
    computed = np.arange(EVERY // 2, ROWS, EVERY)
    faults = rows.with_supply
    some = Faults(
        faults.port[:, computed],
        faults.siemens[:, computed],
        (faults.amperes[0][:, computed], faults.amperes[1][:, computed]),
    )
    seen = Seen(Changed(rows.powered, ()), some, rows.base[computed])
    speaker = rows.ports.point(rows.wiring.speaker)
    at_rest, own = seen.volts(speaker), seen.between(speaker, speaker)
    # A tester at its connector finds its own volts at rest as everybody does.
    sent = TESTER.current(own, at_rest)
    sound = _at_rest(at_rest) * _quick(own)
    heard = np.empty((len(rows.wiring.modules), len(rows.ways), len(computed)))
    for module, point in enumerate(rows.wiring.inside.values()):
        port = rows.ports.point(point)
        there, across = seen.volts(port), seen.between(port, speaker)
        asked = _driven(_plus(there, across.times(sent)))
        answer = _output_of(rows, module, computed).current(seen.between(port, port), there)
        answered = _driven(_plus(at_rest, across.transposed.times(answer)))
        same = port == speaker
        heard[module] = sound * _at_rest(there) * (answered if same else asked * answered)
    return np.repeat(heard, EVERY, axis=2)[:, :, :ROWS]


def _output_of(rows: Rows, module: int, computed: Index) -> Output:
    drawn, base = rows.drawn, rows.base[computed]
    return Output(
        drawn.driver_high_volts[base, module],
        drawn.driver_low_volts[base, module],
        drawn.driver_ohms[base, module],
        drawn.driver_limit[base, module],
    )


def _plus(one: Pair, other: Pair) -> Pair:
    return one[0] + other[0], one[1] + other[1]


def _driven(volts: Pair) -> Array:
    common = (volts[0] + volts[1]) / 2
    return (
        _over(volts[0] - volts[1], DRIVEN_VOLTS, SOFT_VOLTS)
        * _over(COMMON_MOST_VOLTS, common, SOFT_COMMON_VOLTS)
        * _over(common, COMMON_LEAST_VOLTS, SOFT_COMMON_VOLTS)
    )


def _at_rest(volts: Pair) -> Array:
    return _over(DRIVEN_VOLTS, volts[0] - volts[1], SOFT_VOLTS)


def _quick(own: TwoByTwo) -> Array:
    return _over(np.log(SLOW_OHMS), np.log(np.maximum(own.between, 1.0)), SOFT_SLOW)


def _over(value: Any, limit: Any, soft: float) -> Array:
    """Return how likely a value is over a limit, 0..1."""
    return np.asarray(1 / (1 + np.exp(-np.clip((value - limit) / soft, -40, 40))))


# --- held against who is said to be silent ------------------------------------------------------------------------

SAID_SILENT_THOUGH_ANSWERING: Final = 0.01
"""A module said to be silent may not be in this build, or asleep, or not asked rightly: with twenty modules on the
network that is one too many in a fifth of all jobs (judged)."""

SAID_ANSWERING_THOUGH_NOT: Final = 0.03
"""It may have answered once, before the fault came (judged)."""

LOST_THOUGH_HEARD, LOST_WHERE_LOST, LOST_UNSURE = 0.04, 0.8, 0.3
"""Of a code that one module lost another: where both answer, where only the other is silent, else (judged)."""

OUTSIDE_SILENT: Final = 0.3
"""How likely a module is silent for a reason that is not on the layout (judged)."""


@dataclass(frozen=True)
class Said:
    """Who is silent, who answers, who lost whom, by numbers of modules and those beside them."""

    silent: tuple[int, ...]
    answering: tuple[int, ...]
    lost: tuple[tuple[int, int], ...]

    @property
    def by_chance(self) -> float:
        """How likely a fault like none computed explains it."""
        return float(OUTSIDE_SILENT ** len(self.silent) * (1 - OUTSIDE_SILENT) ** len(self.answering))


MOST_REPORTERS: Final = 2
"""Of one lost module so many count: what they say is no news after the first (judged)."""


def said_of(evidence: Evidence, known: Mapping[str, int]) -> Said:
    """Return who is silent and who answers, by the numbers of module identities; what is not known is left out."""
    silent, answering = (
        tuple(dict.fromkeys(known[key] for name in names if (key := module_identity(name)) in known))
        for names in (evidence.silent, evidence.answering)
    )
    lost: dict[int, list[tuple[int, int]]] = {}
    for names in dict.fromkeys(evidence.lost):
        one, other = (known.get(module_identity(name)) for name in names)
        if one is not None and other is not None and one != other:
            lost.setdefault(other, []).append((one, other))
    kept = [pair for pairs in lost.values() for pair in pairs[:MOST_REPORTERS]]
    return Said(silent, tuple(one for one in answering if one not in silent), tuple(kept))


def log_of_said(said: Said, chances: Array, all_silent: Array) -> Array:
    """Return the log of how well each row explains who is silent, shape (ways, rows).

    `all_silent`: chance that nobody is heard at all, beyond what the levels say.
    """
    each = _explained(said, chances)
    nobody = _explained(said, np.zeros((len(chances), 1, 1)))
    return np.asarray(np.log((1 - all_silent) * np.exp(each) + all_silent * np.exp(nobody)))


def _explained(said: Said, chances: Array) -> Array:
    logs = np.zeros(chances.shape[1:])
    for module in said.silent:
        answers = chances[module]
        logs += np.log(
            answers * SAID_SILENT_THOUGH_ANSWERING + (1 - answers) * (1 - SAID_ANSWERING_THOUGH_NOT)
        )
    for module in said.answering:
        answers = chances[module]
        logs += np.log(
            answers * (1 - SAID_SILENT_THOUGH_ANSWERING) + (1 - answers) * SAID_ANSWERING_THOUGH_NOT
        )
    for one, other in said.lost:
        hears, heard = chances[one], chances[other]
        lost = hears * (1 - heard)
        logs += np.log(lost * LOST_WHERE_LOST + hears * heard * LOST_THOUGH_HEARD + (1 - hears) * LOST_UNSURE)
    return logs
