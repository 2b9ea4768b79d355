"""Visits to the harnesses of `where_harness.py`: readings at two places with a meter's errors, and who is silent."""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any, Final

from where_faults import Truth, put_fault
from where_harness import Harness, harness_of
from where_solve import Answered, Asked, solved

from casebase.bus.layout.whereabouts import Evidence
from casebase.record.layout import Layout
from casebase.record.modules import module_key
from casebase.record.reading import Reading

OFF: Final = {"ignition": "off", "battery": "disconnected"}
ON: Final = {"ignition": "on", "battery": "connected"}
NOT_FITTED: Final = 0.006
"""How often a module of the layout is not in the vehicle (judged)."""

ALL_SILENT: Final = {"lines together": 0.5, "line to ground": 0.3, "line to battery": 0.3, "stuck": 0.7}
DISTURBED: Final = 0.12
"""How often a bus that could still talk in part says nothing (judged)."""

AT_A_SILENT_MODULE: Final = 0.6
"""How often the second place is the connector of a silent module, where some but not all are silent (judged)."""


@dataclass(frozen=True)
class Visit:
    """A harness with its fault, the truth, and what is known at the start; `meter`: its gain in ohms and volts."""

    harness: Harness
    truth: Truth
    readings: tuple[dict[str, Any], ...]
    silent: tuple[str, ...]
    answering: tuple[str, ...]
    meter: tuple[float, float]

    @property
    def layout(self) -> Layout:
        """The layout as a record."""
        return Layout.model_validate(self.harness.layout)

    def evidence(self, more: Sequence[dict[str, Any]] = ()) -> Evidence:
        """Return what is known, with more readings."""
        readings = tuple(Reading.model_validate(one) for one in (*self.readings, *more))
        return Evidence(readings, self.silent, self.answering)


AT_ONCE: Final = 20


def visits(seed: int, count: int, first: int = 0) -> list[Visit]:
    """Return visits of a seed; what ngspice found is kept in the folder for temporary files, twenty in a file."""
    folder = Path(__file__).parent
    code = b"".join(
        (folder / f"where_{name}.py").read_bytes() for name in ("harness", "faults", "solve", "visits")
    )
    found: list[Visit] = []
    for start in range(first, first + count, AT_ONCE):
        digest = hashlib.sha256(code + f"{seed} {start}".encode()).hexdigest()[:16]
        kept = Path(tempfile.gettempdir()) / f"where-visits-{digest}"
        if not kept.exists():
            made = [one for number in range(start, start + AT_ONCE) if (one := _visit_or_none(seed, number))]
            kept.with_suffix(".part").write_bytes(pickle.dumps(made))
            kept.with_suffix(".part").replace(kept)
        found += pickle.loads(kept.read_bytes())
    return found


def _visit_or_none(seed: int, number: int) -> Visit | None:
    """Return a visit, None where ngspice finds no balance: about one in a hundred, which is said."""
    try:
        return _visit(seed, number)
    except RuntimeError as error:
        print(f"left out, {number} of seed {seed}: {error}")
        return None


def _visit(seed: int, number: int) -> Visit:
    random = Random(f"where {seed} {number}")
    harness = harness_of(random)
    for unit in harness.units.values():
        unit.fitted = unit.terminator is not None or random.random() >= NOT_FITTED
    truth = put_fault(random, harness)
    first = solved([Asked(harness, ohms_at=("DLC",), senders=("tester", *harness.units))])[0]
    silent, answering = _heard(random, harness, truth, first)
    meter = random.gauss(1.0, 0.003), random.gauss(1.0, 0.003)
    place, parted = _second_place(random, harness, silent, answering)
    nodes = _nodes_at(harness, place)
    second = solved([Asked(harness, (place,) if parted else (), nodes, senders=(), levels=False)])[0]
    shares = _shares(random, harness, truth, answering)
    readings = [
        *ohms_readings(random, first, "DLC", (), meter),
        *volts_readings(random, first, "DLC", shares, meter),
    ]
    for node in nodes:
        readings += ohms_readings(random, second, node, (place,) if parted else (), meter)
    if not parted:
        readings += volts_readings(random, first, nodes[0], shares, meter)
    elif place in harness.units and random.random() < 0.6:
        readings.append(feed_reading(random, truth, place, harness))
    return Visit(harness, truth, tuple(readings), silent, answering, meter)


def _heard(
    random: Random, harness: Harness, truth: Truth, found: Answered
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return who is silent and who answers a tester at the DLC, by the levels that ngspice finds."""
    often = ALL_SILENT.get(
        truth.fault, DISTURBED if truth.fault in ("one line open", "poor joint", "leak") else 0.0
    )
    nobody = random.random() < often
    answers = {name: not nobody and _answers(name, harness, found) for name in harness.units}
    for name in truth.dead:
        if truth.feed != "supply missing" and random.random() < 0.25:
            answers[name] = not nobody and random.random() < 0.9
    return (
        tuple(name for name, heard in answers.items() if not heard),
        tuple(name for name, heard in answers.items() if heard),
    )


def _answers(name: str, harness: Harness, found: Answered) -> bool:
    unit = harness.units[name]
    if not (unit.fitted and unit.supplied and unit.works) or unit.stuck:
        return False
    at_rest = found.volts["rest"]
    levels = [at_rest["DLC"], at_rest[unit.node]]
    if any(high - low > unit.threshold for high, low in levels):
        return False
    for sender, node in (("tester", unit.node), (name, "DLC")):
        high, low = found.volts[sender][node]
        if high - low < unit.threshold or not -5.0 < (high + low) / 2 < 9.0:
            return False
    return True


def _second_place(
    random: Random, harness: Harness, silent: Sequence[str], answering: Sequence[str]
) -> tuple[str, bool]:
    """Return the second place and whether it is parted there."""
    if silent and answering and random.random() < AT_A_SILENT_MODULE:
        return random.choice(silent), True
    plugs, splices = harness.layout["plugs"], harness.layout["splices"]
    kind = random.choice(("plug", "plug", "splice", "module"))
    if kind == "plug" and plugs:
        return random.choice(plugs), True
    if kind == "splice":
        return random.choice(splices), False
    return random.choice([name for name in harness.units if module_key(name)]), True


def _nodes_at(harness: Harness, place: str) -> tuple[str, ...]:
    """Return the nodes that can be read at a place: both halves of a plug, the first wire of a module."""
    nodes = [node for link in harness.links for node in (link.one, link.other)]
    found = [node for node in dict.fromkeys(nodes) if node == place or node.startswith(f"{place} toward ")]
    return tuple(found[:1] if place in harness.units else found)


def ohms_readings(
    random: Random, found: Answered, node: str, parted: Sequence[str], meter: tuple[float, float]
) -> list[dict[str, Any]]:
    """Return ohms between the lines and of each to ground, as a meter shows them."""
    leads = {"between": ("CAN high", "CAN low"), "high": ("CAN high", "ground"), "low": ("CAN low", "ground")}
    return [
        {"quantity": "resistance", "line": line, "against": against, "at": node}
        | {
            "value": shown_ohms(random, found.ohms[node, lead], meter[0]),
            "unplugged": list(parted) or "nothing",
        }
        | OFF
        for lead, (line, against) in leads.items()
    ]


def shown_ohms(random: Random, ohms: float, gain: float) -> str:
    """Return ohms as a meter of four digits shows them, through leads that were nulled or not."""
    value = ohms * gain * random.gauss(1.0, 0.001) + abs(random.gauss(0.1, 0.1))
    if value > 2e7:
        return "OL"
    for limit, unit, scale, digits in (
        (600, "ohm", 1, 1),
        (6e3, "kohm", 1e3, 3),
        (6e4, "kohm", 1e3, 2),
        (6e5, "kohm", 1e3, 1),
    ):
        if value < limit:
            return f"{value / scale:.{digits}f} {unit}"
    return f"{value / 1e6:.2f} Mohm"


def _shares(random: Random, harness: Harness, truth: Truth, answering: Sequence[str]) -> dict[str, float]:
    """Return the share of time that modules drive the lines: all that answer, or retries of a few where none does."""
    if answering:
        senders = random.sample(answering, min(len(answering), 5))
        total = random.triangular(0.04, 0.36, 0.15)
    else:
        alive = [name for name, unit in harness.units.items() if unit.works and unit.supplied and unit.fitted]
        senders = random.sample(alive, min(len(alive), random.choice((0, 1, 2, 4))))
        total = random.uniform(0.01, 0.4)
    del truth
    parts = [random.expovariate(1.0) for _ in senders]
    return {name: total * part / sum(parts) for name, part in zip(senders, parts, strict=True)}


def volts_readings(
    random: Random, found: Answered, node: str, shares: dict[str, float], meter: tuple[float, float]
) -> list[dict[str, Any]]:
    """Return volts of each line to ground: at rest, and for the share of time that each sender drives."""
    rest = found.volts["rest"][node]
    readings = []
    for place, line in enumerate(("CAN high", "CAN low")):
        moved = sum(
            share * random.gauss(1.0, 0.05) * (found.volts[name][node][place] - rest[place])
            for name, share in shares.items()
        )
        volts = (rest[place] + moved) * meter[1] * random.gauss(1.0, 0.001)
        readings.append(
            {"quantity": "voltage", "line": line, "against": "ground", "at": node, "unplugged": "nothing"}
            | {"value": f"{volts:.3f} V"}
            | ON
        )
    return readings


def feed_reading(random: Random, truth: Truth, module: str, harness: Harness) -> dict[str, Any]:
    """Return volts from supply to ground at the plug of a module under a lamp: body or battery - is the other lead."""
    lamp, battery = random.uniform(4.0, 7.0), harness.battery_volts
    supply, ground = random.uniform(0.02, 0.15), random.uniform(0.01, 0.06)
    if module in truth.dead:
        if truth.feed == "supply missing":
            supply = 1e9
        elif truth.feed == "supply weak":
            supply = random.uniform(2.0, 60.0)
        else:
            ground = random.choice((1e9, random.uniform(2.0, 200.0)))
    volts = battery * lamp / (supply + ground + lamp)
    return (
        {"quantity": "voltage", "line": "supply", "against": "ground", "at": f"connector of {module}"}
        | {
            "value": f"{volts:.2f} V",
            "loaded": "yes",
            "unplugged": [module],
            "note": "the plug's own ground pin",
        }
        | ON
    )
