"""Healthy buses drawn wide, from figures of chip, cable and machine makers and from what guides call in order.

Nothing here is shared with the distributions of casebase or of `tests/outside/ngspice_sampler.py`. Every width names
its source or is marked judged.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log
from random import Random
from typing import Final

from wide_bus import SENDERS, Load, Stage, WideBus, WideModule

NAMES: Final = (
    *("ECM", "TCM", "ABS", "BCM", "EPS", "IPC", "HVAC", "radio", "gateway", "parking assist"),
    *("steering column", "rear seat module", "trailer module", "door module", "wiper module"),
)
"""Modules by the trade's common names; more are numbered."""

MODULES: Final = (2, 30)
"""30 nodes on a segment (the GB/T draft equal to SAE J1939-11:1999, clause 3; ISO1050 data sheet, Bus Loading)."""

TERMINATOR_OHMS: Final = (108.0, 132.0)
"""108 to 132 ohm is quoted for terminators (ICP DAS PISO-DNM100-D manual, page 22); two make 54 to 66."""

HEALTHY_PAIR_OHMS: Final = (50.0, 72.0)
"""50 to 70 in order (esd C.3032.21, page 40); 54 to 72 allowed by guides (common practice, no source)."""

BIAS_OHMS: Final = (9e3, 50e3)
"""Input resistance of a line: 9 to 28 kohm (TJA1051 table 7), to 35 (TJA1041A), to 50 judged."""

OFF_OHMS: Final = (100e3, 1e9)
"""Of transceivers that let go when unsupplied: microamperes of leakage and less (TCAN1042HGV 7.7); 14.7 kohm to OL to
ground is in order for guides. The range is judged; modules of one bus differ up to threefold either way."""

SPLIT_OHMS: Final = (600.0, 2500.0)
"""From the middle of a split terminator to the recessive level: 0.3 to 0.7 VCC at 500 uA (TJA1041A, from memory)."""

STAGE_OHMS: Final = (14.0, 45.0)
"""With 0.7 V lost at each end: 1.5 to 3.0 V across 60 ohm (TJA1051 table 7; TCAN1042HGV 7.7)."""

LIMIT_AMPERES: Final = (0.040, 0.115)
"""Short-circuit current (TJA1051 table 7; TCAN1044V)."""

WIRE_OHMS_PER_METRE: Final = (0.02, 0.12)
"""70 mohm/m nominal (NI-XNET manual, Cabling Requirements); 0.5 to 0.13 mm2 wire, either side (judged)."""

TRUNK_METRES: Final = (1.5, 40.0)
"""40 m at 1 Mbit/s (ISO1050 data sheet); small machines have less (judged)."""

STUB_METRES: Final = (0.1, 6.0)
"""0.3 m at 1 Mbit/s (NI-XNET manual); vehicles at 500 kbit/s and less have metres (judged)."""

CONTACT_OHMS: Final = (0.003, 0.25)
"""A good contact is under 20 to 50 mohm, an old one several times that (common practice, no source)."""

RAIL_OHMS: Final = (1.5, 400.0)
"""Loads left on the supply with the battery off: lamps to a few modules (judged)."""

BATTERY_VOLTS: Final = (11.6, 14.8)
DOMINANT_SHARE: Final = (0.02, 0.50)
"""Of the time; published averages of 2.9 and 2.0 V on a running machine need .45 (a machine maker's help page)."""


@dataclass(frozen=True)
class Chance:
    """A source of chance with the few shapes used here."""

    random: Random

    def even(self, ends: tuple[float, float]) -> float:
        """Return a value between the ends, each as likely."""
        return self.random.uniform(*ends)

    def by_size(self, ends: tuple[float, float]) -> float:
        """Return a value between the ends, each size (logarithm) as likely."""
        return exp(self.random.uniform(log(ends[0]), log(ends[1])))

    def often(self, share: float) -> bool:
        """Return True in `share` of the calls."""
        return self.random.random() < share

    def contact(self) -> float:
        """Return a contact's resistance in ohm."""
        return self.by_size(CONTACT_OHMS)


def healthy_bus(chance: Chance, pair_ohms: float | None = None, share: float | None = None) -> WideBus:
    """Return a sound bus with traffic; `pair_ohms` sets what its terminators make together."""
    count = _count(chance)
    dlc_place = chance.random.randint(0, count)
    ends = _terminated(count, chance)
    lets_go, off = chance.random.choice((0.0, 0.5, 1.0)), chance.by_size(OFF_OHMS)
    bias = chance.by_size((BIAS_OHMS[0] * 1.1, BIAS_OHMS[1] * 0.9))
    names = [NAMES[i] if i < len(NAMES) else f"module {i + 1}" for i in range(count)]
    chance.random.shuffle(names)
    modules = []
    for index, name in enumerate(names):
        place = index if index < dlc_place else index + 1
        halves = _terminator(chance, pair_ohms) if index in ends else None
        own_off = off * chance.by_size((1 / 3, 3.0)) if chance.often(lets_go) else None
        modules.append(replace(_module(halves, bias, own_off, chance), name=name, place=place))
    metres, per_metre = chance.by_size(TRUNK_METRES), chance.even(WIRE_OHMS_PER_METRE)
    pieces = [chance.random.expovariate(1.0) + 0.05 for _ in range(count)]
    wires = [metres * per_metre * piece / sum(pieces) for piece in pieces]
    return WideBus(
        modules=tuple(modules),
        wires_high=tuple(ohms + chance.contact() for ohms in wires),
        wires_low=tuple(ohms + chance.contact() for ohms in wires),
        dlc_place=dlc_place,
        dlc_stub=_stub(chance),
        senders=_senders(count, chance, share),
        probed=chance.random.randrange(count),
        battery_volts=chance.even(BATTERY_VOLTS),
        rail_ohms=chance.by_size(RAIL_OHMS),
        picofarads=metres * chance.even((40, 70)) + count * chance.even((30, 120)),
    )


def _count(chance: Chance) -> int:
    """Small buses are as common as large ones: by size."""
    return min(int(chance.by_size((MODULES[0], MODULES[1] + 1))), MODULES[1])


def _terminated(count: int, chance: Chance) -> tuple[int, int]:
    """Return the modules with the terminators: mostly the outermost, else two others (junctions, star layouts)."""
    if chance.often(0.8):
        return 0, count - 1
    one, other = sorted(chance.random.sample(range(count), 2))
    return one, other


def _terminator(chance: Chance, pair_ohms: float | None) -> tuple[float, float]:
    """Return the two halves of one terminator: 1 % resistors, older and looser ones, or the value asked for."""
    if pair_ohms is not None:
        ohms = 2 * pair_ohms * chance.even((0.97, 1.03))
    elif chance.often(0.65):
        ohms = chance.random.gauss(120, 0.8)
    else:
        ohms = chance.even(TERMINATOR_OHMS)
    return ohms / 2, ohms / 2


def _stub(chance: Chance) -> tuple[float, float]:
    wire = chance.by_size(STUB_METRES) * chance.even(WIRE_OHMS_PER_METRE)
    return wire + chance.contact(), wire + chance.contact()


def _module(halves: tuple[float, float] | None, bias: float, off: float | None, chance: Chance) -> WideModule:
    """Return a module; its name and place are still to be told."""
    own = min(max(bias * chance.even((0.7, 1.4)), BIAS_OHMS[0]), BIAS_OHMS[1])
    match = chance.random.gauss(0, 0.012)  # +-1 % (TJA1051) to +-3 % (TJA1041A)
    supply = chance.random.gauss(5.0, 0.06)
    middle = supply / 2 + chance.random.gauss(0, 0.03)
    if chance.often(0.06):  # a 3.3 V transceiver rests lower, at 2.3 V (from memory)
        middle = chance.even((2.2, 2.4))
    bias_ohms = (own * (1 + match), own * (1 - match))
    split = chance.by_size(SPLIT_OHMS) if halves and chance.often(0.25) else None
    stub_high, stub_low = _stub(chance)
    return WideModule(
        name="",
        place=0,
        stub_high=stub_high,
        stub_low=stub_low,
        bias_ohms=bias_ohms,
        bias_volts=(middle + chance.random.gauss(0, 0.01), middle + chance.random.gauss(0, 0.01)),
        off_ohms=bias_ohms if off is None else (off, off * chance.even((0.8, 1.25))),
        stage=_stage(supply, middle, chance),
        terminator=halves,
        split_ohms=split,
    )


def _stage(supply: float, middle: float, chance: Chance) -> Stage:
    """Symmetry: the two levels sum to 0.9 to 1.1 of the supply (TCAN1044V SLLSFG2)."""
    ohms, drop = chance.even(STAGE_OHMS), chance.even((0.55, 0.85))
    skew = chance.random.gauss(0, 0.08)
    return Stage(
        volts_high=2 * middle - drop + skew,
        volts_low=max(drop + skew, 0.2),
        ohms_high=ohms * chance.even((0.9, 1.1)),
        ohms_low=ohms * chance.even((0.9, 1.1)),
        limit_amperes=chance.even(LIMIT_AMPERES),
    )


def _senders(count: int, chance: Chance, share: float | None) -> tuple[tuple[int, float], ...]:
    """Return up to three modules that send, and how long each drives."""
    chosen = chance.random.sample(range(count), min(SENDERS, count))
    if share is None:
        share = chance.even((0.06, 0.30)) if chance.often(0.7) else chance.even(DOMINANT_SHARE)
    parts = [chance.random.expovariate(1.0) + 0.05 for _ in chosen]
    return tuple((module, share * part / sum(parts)) for module, part in zip(chosen, parts, strict=True))


def load_of(chance: Chance) -> Load:
    """Return what an unpowered module (diodes into a dead supply), or a half powered one, puts on the lines."""
    ohms = chance.by_size((120.0, 8e3))  # judged: from a protection diode into a dead rail to a weak bias
    diode = chance.often(0.6)
    volts = chance.even((0.4, 0.7)) if diode else chance.even((0.3, 1.8))
    apart = chance.even((0.7, 1.4)) if chance.often(0.4) else chance.even((0.95, 1.05))
    return Load(ohms * apart, ohms / apart, volts, diode, chance.often(0.5))
