"""The tests that can be done on a pair: what to read, where, with what unplugged, how long it takes, what to mind.

Minutes are those of a technician at the vehicle (common practice, no source). What can hurt somebody is not proposed:
no restraint or high-voltage module is unplugged for a test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import Bank
from casebase.bus.chain import Array
from casebase.bus.diagnose import Diagnosis
from casebase.bus.interpret import SINGLE
from casebase.bus.observe import DLC, NOTHING, TRAFFIC_SEEN_VOLTS, View
from casebase.record.modules import module_identity
from casebase.record.reading import place_kind
from casebase.record.vocabulary import LINES_OF_MEDIUM

BATTERY_OFF: Final = "battery disconnected, networks asleep"
IGNITION_ON: Final = "ignition on, battery connected"

_UNSAFE: Final = (
    "restraint",
    "belt",
    "occupant",
    "drive motor",
    "battery",
    "charger",
    "converter",
    "inverter",
    "fuel cell",
)
"""Families of modules that are not unplugged for a test: squib circuits, high voltage."""

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
        if name is None or _is_unsafe(name):
            continue
        yield View(DLC, role), here, name, UNPLUGGING_MINUTES
        yield View(role, role), f"the connector of {name}", name, AWAY_FROM_DLC_MINUTES + UNPLUGGING_MINUTES


def _is_unsafe(name: str) -> bool:
    identity = module_identity(name)
    return any(word in identity for word in _UNSAFE) or place_kind(name) == "splice"
