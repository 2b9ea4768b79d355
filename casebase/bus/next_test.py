"""The tests that can be done on a pair: what to read, where, with what unplugged, how long it takes, what to mind.

Minutes are those of a technician at the vehicle (common practice, no source). What can hurt somebody is not proposed:
no restraint or high-voltage module is unplugged for a test, and none whose name is unknown.

The best next test: for every reading not taken yet, the bits it is expected to tell about the state, per minute.

The simulated buses that explain the readings so far stand for what may be true. For each test some of them are taken
as the truth in turn, their reading is made with a meter's error, and the rest is weighed again by it: the entropy
that is left, on average, is what the test cannot tell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import BUSES_PER_STATE, Bank
from casebase.bus.chain import Array
from casebase.bus.diagnose import Diagnosis, weighed
from casebase.bus.instruments import DLC, NOTHING, TRAFFIC_SEEN_VOLTS, View
from casebase.bus.interpret import interpret
from casebase.bus.measured import SINGLE
from casebase.bus.posterior import expected_entropy
from casebase.record.cautions import may_be_unplugged
from casebase.record.vocabulary import LINES_OF_MEDIUM, BusState

BATTERY_OFF: Final = "battery disconnected, networks asleep"
IGNITION_ON: Final = "ignition on, battery connected"

OHMS_CAUTION: Final = "Ohms only with the battery disconnected and the networks asleep."
UNPLUG_CAUTION: Final = "Ignition off before anything is unplugged; the maker's procedure comes first."

Rows = NDArray[np.int64]
Read = Callable[[str], Array]
Scaled = Callable[[Read], Array]


@dataclass(frozen=True)
class Kind:
    """A sort of test: its words, the quantities it reads, its minutes at the DLC, what must hold before it."""

    words: str
    quantities: tuple[str, ...]
    minutes: float
    precondition: str
    cautions: tuple[str, ...]
    scaled: Scaled


@dataclass(frozen=True)
class Candidate:
    """One test at one place."""

    kind: Kind
    view: View
    place: str
    unplugged: str
    minutes: float

    def words(self) -> str:
        """Return what to do."""
        off = f" with {self.unplugged} unplugged" if self.unplugged else ""
        return f"{self.kind.words} at {self.place}{off}"

    def cautions(self) -> tuple[str, ...]:
        """Return what to mind."""
        return (*self.kind.cautions, UNPLUG_CAUTION) if self.unplugged else self.kind.cautions

    def features(self, bank: Bank, rows: Rows) -> Array:
        """Return what these simulated buses show, shape (rows, readings), in standard errors."""

        def read(quantity: str) -> Array:
            return np.asarray(
                bank.columns(self.view.unplugged)[self.view.column(quantity)][rows], dtype=np.float64
            )

        return self.kind.scaled(read)


def _ohms_between(read: Read) -> Array:
    return np.asarray(np.log(1 + np.minimum(read("ohms_between"), 2e7) / 18)[:, None] / 0.0135)


def _ohms_to_ground(read: Read) -> Array:
    high, low = (np.minimum(read(f"ohms_{line}_ground"), 2e7) for line in ("high", "low"))
    mean = (high + low) / 2
    return np.stack([np.log(mean + 10) / 0.10, (high - low) / np.hypot(0.0045 * mean, 1.0)], axis=1)


def _volts(read: Read) -> Array:
    return np.stack([_scaled_volts(read(f"volts_{line}")) for line in ("high", "low")], axis=1)


def _scaled_volts(volts: Array) -> Array:
    return np.asarray(np.sign(volts) * np.log(1 + np.abs(volts) / 0.6) / 0.014)


def _scope(read: Read) -> Array:
    levels = [read(f"{name}_{line}") / 0.12 for name in ("recessive", "dominant") for line in ("high", "low")]
    return np.stack([*levels, read("traffic") * 3.0], axis=1)


def _asked(read: Read) -> Array:
    """With a tester asking there is somebody to send on any bus that works."""
    levels = [read(f"dominant_{line}") / 0.12 for line in ("high", "low")]
    swing = np.maximum(
        *(np.abs(read(f"dominant_{line}") - read(f"recessive_{line}")) for line in ("high", "low"))
    )
    return np.stack([*levels, (swing > TRAFFIC_SEEN_VOLTS) * 3.0], axis=1)


def _line_to_ground(read: Read) -> Array:
    return np.asarray(np.log(np.minimum(read("ohms_line_ground"), 2e7) + 10)[:, None] / 0.10)


def _line_volts(read: Read) -> Array:
    return _scaled_volts(read("volts_line"))[:, None]


def _line_scope(read: Read) -> Array:
    levels = [read(f"{name}_line") / 0.2 for name in ("recessive", "dominant")]
    return np.stack([*levels, read("traffic") * 3.0], axis=1)


PAIR_KINDS: Final = (
    Kind("ohms between the lines", ("ohms_between",), 6.0, BATTERY_OFF, (OHMS_CAUTION,), _ohms_between),
    Kind(
        "ohms of each line to ground",
        ("ohms_high_ground", "ohms_low_ground"),
        7.0,
        BATTERY_OFF,
        (OHMS_CAUTION,),
        _ohms_to_ground,
    ),
    Kind("volts of each line to ground", ("volts_high", "volts_low"), 3.0, IGNITION_ON, (), _volts),
    Kind("scope on both lines", ("traffic",), 8.0, IGNITION_ON, (), _scope),
    Kind("scope on both lines, a tester asking,", ("asked",), 10.0, IGNITION_ON, (), _asked),
)
SINGLE_KINDS: Final = (
    Kind(
        "ohms of the line to ground",
        ("ohms_line_ground",),
        6.0,
        BATTERY_OFF,
        (OHMS_CAUTION,),
        _line_to_ground,
    ),
    Kind("volts of the line to ground", ("volts_line",), 2.0, IGNITION_ON, (), _line_volts),
    Kind("scope on the line", ("traffic",), 7.0, IGNITION_ON, (), _line_scope),
)
AWAY_FROM_DLC_MINUTES: Final = 8.0
UNPLUGGING_MINUTES: Final = 6.0


def candidates_for(diagnosis: Diagnosis) -> Iterator[Candidate]:
    """Yield every test not done yet that makes sense and hurts nobody."""
    done = {told for observation in diagnosis.observations for told in observation.told}
    single = LINES_OF_MEDIUM[diagnosis.bank.model.medium][0] in SINGLE
    for kind in SINGLE_KINDS if single else PAIR_KINDS:
        for view, place, unplugged, minutes in _places(diagnosis):
            if not all((view, quantity) in done for quantity in kind.quantities):
                yield Candidate(kind, view, place, unplugged, kind.minutes + minutes)


def _places(diagnosis: Diagnosis) -> Iterator[tuple[View, str, str, float]]:
    """Yield (view, place in words, unplugged in words, minutes beyond those at the DLC)."""
    here = diagnosis.roles.reached_at
    yield View(DLC, NOTHING), here, "", 0.0
    for role in diagnosis.bank.model.unpluggable:
        name = diagnosis.roles.names.get(role)
        if name is None or not may_be_unplugged(name):
            continue
        yield View(DLC, role), here, name, UNPLUGGING_MINUTES
        yield View(role, role), f"the connector of {name}", name, AWAY_FROM_DLC_MINUTES + UNPLUGGING_MINUTES


LEAST_BITS: Final = 0.02
"""A test expected to tell less is not worth naming."""

ROWS_WEIGHED: Final = 1600
TRUTHS: Final = 220
TRUTHS_AT_ONCE: Final = 44
"""A whole part of them, for each part is worked out in place."""

_SEED: Final = 7
STATE_SETTLED_FROM: Final = 0.9
"""From this probability of one state on, where the fault lies is what there is to find."""

LEAST_LOG: Final = -80.0
"""Log of the least that a row explains: what lies further off explains nothing either way."""

Labels = NDArray[np.int64]
Singles = NDArray[np.float32]

SPLIT_LEAVES: Final = 0.35
"""Two states are split by a test that leaves, on average, less than this share of their confusion."""


@dataclass(frozen=True)
class NextTest:
    """A test worth doing: the bits it is expected to tell, which states it tells apart, whether it tells where."""

    candidate: Candidate
    bits: float
    splits: tuple[tuple[BusState, BusState], ...]
    tells_where: bool = False

    @property
    def bits_per_minute(self) -> float:
        """What the tests are ranked by."""
        return self.bits / self.candidate.minutes


def next_tests(diagnosis: Diagnosis, most: int = 3) -> list[NextTest]:
    """Return the tests that tell most per minute, the best first.

    Every module that might be unplugged is another bus to simulate: an eighth of the buses has to do for the rating.
    """
    rough = _rough(diagnosis)
    rating = _Rating(rough, _sample(rough))
    rated = [rating.of(candidate) for candidate in candidates_for(rough)]
    worth = [test for test in rated if test.bits >= LEAST_BITS]
    return sorted(worth, key=lambda test: -test.bits_per_minute)[:most]


def _rough(diagnosis: Diagnosis) -> Diagnosis:
    """Return the same diagnosis on fewer buses, where it rests on all that a medium has."""
    bank = diagnosis.bank
    if bank.per_state < BUSES_PER_STATE:
        return diagnosis
    interpreted = interpret(diagnosis.readings, diagnosis.roles, bank.coarse)
    return weighed(bank.coarse, diagnosis.roles, diagnosis.readings, interpreted, diagnosis.prior)


class _Rating:
    """The simulated buses that stand for what may be true, and what is to be told of them: states and, last, hosts.

    A bus that explains much is drawn many times: it is worked out once, and counts as often.
    """

    def __init__(self, diagnosis: Diagnosis, drawn: Labels) -> None:
        self.diagnosis = diagnosis
        self.rows, places, self.times = np.unique(drawn, return_inverse=True, return_counts=True)
        self.truths = places[:TRUTHS]
        self.states = self._told(diagnosis.bank.state_of_row, len(diagnosis.bank.states))
        settled = diagnosis.ranked()[0][1] >= STATE_SETTLED_FROM
        many = len(diagnosis.bank.model.unpluggable) + 1
        self.hosts = self._told(_named_host(diagnosis), many) if settled else None
        told = [self.states, *([self.hosts] if self.hosts else [])]
        self.labels = np.column_stack([each.one_hot for each in told])

    def _told(self, label_of_row: Labels, many: int) -> _Told:
        return _Told(label_of_row[self.rows], self.times, many)

    def of(self, candidate: Candidate) -> NextTest:
        """Return a test with what it is expected to tell."""
        features = candidate.features(self.diagnosis.bank, self.rows)
        shares = _explained(features, self.labels, self.times, self.truths)
        bits, left = self.states.told_by(shares[:, : self.states.many])
        splits = tuple(_splits(self.diagnosis, self.states.before, left, self.states.labels[self.truths]))
        if self.hosts is None:
            return NextTest(candidate, bits, splits)
        where, _ = self.hosts.told_by(shares[:, self.states.many :])
        return NextTest(candidate, bits + where, splits, tells_where=where >= LEAST_BITS)


class _Told:
    """What a reading is to tell: a label for each row, how often each is met, and the bits that are not known yet."""

    def __init__(self, labels: Labels, times: Labels, many: int) -> None:
        self.labels, self.many = labels, many
        self.one_hot = np.eye(many, dtype=np.float32)[labels]
        self.before = np.bincount(labels, weights=times, minlength=many) / times.sum()
        self.entropy = expected_entropy(self.before)

    def told_by(self, shares: Singles) -> tuple[float, Array]:
        """Return the bits expected to be told, and what is believed after each truth's reading; (truths, labels)."""
        left = shares + FLOOR * self.before
        left = np.asarray(left / left.sum(axis=1, keepdims=True))
        return max(self.entropy - expected_entropy(left), 0.0), left


def _named_host(diagnosis: Diagnosis) -> Labels:
    """Return for each simulated bus which named module its fault lies in, 0 for anywhere else."""
    named = np.array([role in diagnosis.roles.names for role in diagnosis.bank.model.unpluggable])
    hosts = diagnosis.posterior.hosts
    return np.where((hosts >= 0) & named[hosts], hosts + 1, 0)


def _sample(diagnosis: Diagnosis) -> Labels:
    """Return rows drawn by their weight, in random order."""
    random = np.random.default_rng(_SEED)
    return random.choice(len(diagnosis.posterior.weights), size=ROWS_WEIGHED, p=diagnosis.posterior.weights)


def _explained(features: Array, labels: Singles, times: Labels, truths: Labels) -> Singles:
    """Return how much of what explains the reading of each row taken as the truth bears each label; (truths, labels).

    `features` are scaled to standard errors; `times` is how often each row was drawn, `truths` are places among them.
    The truth itself is not counted among what explains it. The squares of all differences are one product of matrices,
    in 64 bits since they are small differences of large numbers, and some truths at a time, so that they stay where the
    processor reaches them quickly.
    """
    random = np.random.default_rng(_SEED + 1)
    rows = features - np.average(features, axis=0, weights=times)
    shown = rows[truths] + random.normal(0, 1, (len(truths), rows.shape[1]))
    of_rows = np.column_stack([rows, np.ones(len(rows)), -0.5 * np.square(rows).sum(axis=1)]).T.copy()
    of_truths = np.column_stack([shown, -0.5 * np.square(shown).sum(axis=1), np.ones(len(shown))])
    counted = labels * times[:, None].astype(np.float32)
    besides = (1.0 - 1.0 / times[truths]).astype(np.float32)
    found = np.empty((len(shown), labels.shape[1]), dtype=np.float32)
    logs = np.empty((TRUTHS_AT_ONCE, len(rows)))
    explained = np.empty_like(logs, dtype=np.float32)
    each = np.arange(TRUTHS_AT_ONCE)
    for first in range(0, len(shown), TRUTHS_AT_ONCE):
        some = slice(first, first + TRUTHS_AT_ONCE)
        np.matmul(of_truths[some], of_rows, out=logs)
        explained[...] = logs
        np.exp(np.maximum(explained, LEAST_LOG, out=explained), out=explained)
        explained[each, truths[some]] *= besides[some]
        found[some] = explained @ counted
    return found


FLOOR: Final = 0.02
"""Where hardly any simulated bus explains a reading, it is taken to tell nothing."""


def _splits(
    diagnosis: Diagnosis, before: Array, left: Array, truths: Labels
) -> Iterator[tuple[BusState, BusState]]:
    """Yield the pairs of likely states that the test tells apart, the likeliest first."""
    likely = [index for index in np.argsort(-before)[:4] if before[index] > 0.03]
    for place, one in enumerate(likely):
        for other in likely[place + 1 :]:
            chance = before[other] / (before[one] + before[other])
            seen = left[truths == one]
            if len(seen) and _confusion(seen, one, other) < SPLIT_LEAVES * chance:
                yield diagnosis.bank.states[one], diagnosis.bank.states[other]


def _confusion(seen: Array, one: int, other: int) -> float:
    """Return how likely `other` still is against `one`, on average, where `one` is true."""
    return float((seen[:, other] / np.maximum(seen[:, one] + seen[:, other], 1e-12)).mean())
