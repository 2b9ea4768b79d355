"""Faults put into sound wide buses, each over its continuous range; which readings beside the DLC's are taken then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from wide_bus import Bridge, Stage, WideBus, WideModule
from wide_draws import HEALTHY_PAIR_OHMS, Chance, healthy_bus, load_of
from wide_truth import JOINT_TO_OHMS, LEAK_FROM_OHMS, SHORTS, WRONG_TO_OHMS, Truth

SHORT_OHMS: Final = (0.05, 5e3)
JOINT_OHMS: Final = (5.0, JOINT_TO_OHMS)
LEAK_OHMS: Final = (LEAK_FROM_OHMS, 5e3)
WRONG_OHMS: Final = (40.0, WRONG_TO_OHMS)
OFFSET_VOLTS: Final = (0.02, 2.0)
OPEN_OHMS: Final = 1e10
STILL_CONDUCTS: Final = 0.25
"""Opens that still let something through, 2 kohm to 5 Mohm (judged)."""

AT_PLUG, DLC_WITHOUT = "at the plug", "at the DLC without the module"


@dataclass(frozen=True)
class Case:
    """A bus, the same bus sound, what is true of it, and which readings are taken beside the five of the DLC."""

    bus: WideBus
    sound: WideBus
    truth: Truth
    beside: str = ""


Family = Callable[[Chance], Case]


def _as_it_is(name: str, share: float | None = None) -> Family:
    def made(chance: Chance) -> Case:
        bus = healthy_bus(chance, share=share)
        return Case(bus, bus, Truth(name), _beside(chance, 0.15))

    return made


def _healthy_wide(chance: Chance) -> Case:
    """The corners of what guides call in order: 50 to 72 ohm, dominant share 2 to 50 %."""
    bus = healthy_bus(chance, chance.even(HEALTHY_PAIR_OHMS), chance.even((0.02, 0.50)))
    return Case(bus, bus, Truth("healthy, wide"), _beside(chance, 0.15))


def _beside(chance: Chance, share: float) -> str:
    return DLC_WITHOUT if chance.often(share) else ""


def _bridged(line: str, family: str, ohms: tuple[float, float]) -> Family:
    """Put one bridge anywhere on the trunk, in two of ten cases inside a module (judged)."""
    one, other = {
        "lines together": ("high", "low"),
        "high to ground": ("high", "ground"),
        "low to ground": ("low", "ground"),
        "high to battery": ("high", "battery"),
        "low to battery": ("low", "battery"),
    }[line]

    def put(chance: Chance) -> Case:
        sound, amount = healthy_bus(chance), chance.by_size(ohms)
        inside = chance.random.randrange(len(sound.modules)) if chance.often(0.2) else None
        bridge = Bridge(one, other, amount, chance.random.randint(0, len(sound.wires_high)), inside)
        sound = sound if inside is None else replace(sound, probed=inside)
        truth = Truth(family, line, amount, "trunk" if inside is None else "module", _name(sound, inside))
        return Case(replace(sound, bridges=(bridge,)), sound, truth, _beside(chance, 0.3))

    return put


def _leak(other: str) -> Family:
    lines = ["lines together"] if other == "low" else [f"high to {other}", f"low to {other}"]

    def put(chance: Chance) -> Case:
        return _bridged(chance.random.choice(lines), "leak", LEAK_OHMS)(chance)

    return put


def _wet_connector(chance: Chance) -> Case:
    """Water joins all pins: both lines to ground (or battery) and to each other."""
    sound = healthy_bus(chance)
    place = chance.random.randint(0, len(sound.wires_high))
    amount = chance.by_size(LEAK_OHMS)
    to = "ground" if chance.often(0.6) else "battery"
    bridges = tuple(
        Bridge(one, other, amount * chance.by_size((1.0, 3.0)), place)
        for one, other in (("high", to), ("low", to), ("high", "low"))
    )
    truth = Truth("wet connector", f"both to {to}", min(bridge.ohms for bridge in bridges), "trunk")
    return Case(replace(sound, bridges=bridges), sound, truth, _beside(chance, 0.15))


def _open(place: str, line: str | None = None) -> Family:
    def put(chance: Chance) -> Case:
        cut = line or chance.random.choice(("high", "low", "both"))
        return _in_series(chance, "open", place, cut, _open_ohms(chance))

    return put


def _open_ohms(chance: Chance) -> float:
    return chance.by_size((JOINT_TO_OHMS, 5e6)) if chance.often(STILL_CONDUCTS) else OPEN_OHMS


def _joint(chance: Chance) -> Case:
    place = chance.random.choices(("trunk", "DLC", "branch"), (6, 2, 2))[0]
    line = chance.random.choice(("high", "low"))
    return _in_series(chance, "poor joint", place, line, chance.by_size(JOINT_OHMS))


def _in_series(chance: Chance, family: str, place: str, line: str, ohms: float) -> Case:
    """Put a resistance into one line, or both, of the trunk, of a module's branch, or of the DLC's own stub."""
    sound = healthy_bus(chance)
    high, low = (ohms if line in (one, "both") else 0.0 for one in ("high", "low"))
    if place == "DLC":
        stub = (sound.dlc_stub[0] + high, sound.dlc_stub[1] + low)
        return Case(replace(sound, dlc_stub=stub), sound, Truth(family, line, ohms, place))
    if place == "branch":
        at = chance.random.randrange(len(sound.modules))
        sound = replace(sound, probed=at)
        was = sound.modules[at]
        bus = _changed(sound, at, stub_high=was.stub_high + high, stub_low=was.stub_low + low)
        beside = AT_PLUG if chance.often(0.75) else ""
        return Case(bus, sound, Truth(family, line, ohms, place, was.name), beside)
    joint = chance.random.randrange(len(sound.wires_high))
    bus = replace(
        sound,
        wires_high=_added(sound.wires_high, joint, high),
        wires_low=_added(sound.wires_low, joint, low),
    )
    return Case(bus, sound, Truth(family, line, ohms, place), _beside(chance, 0.2))


def _added(values: tuple[float, ...], index: int, ohms: float) -> tuple[float, ...]:
    return (*values[:index], values[index] + ohms, *values[index + 1 :])


def _changed(bus: WideBus, which: int, **changes: Any) -> WideBus:
    modules = list(bus.modules)
    modules[which] = replace(modules[which], **changes)
    return replace(bus, modules=tuple(modules))


def _name(bus: WideBus, which: int | None) -> str | None:
    return None if which is None else bus.modules[which].name


# --- terminators --------------------------------------------------------------------------------------------------


def _ends(bus: WideBus) -> list[int]:
    return [index for index, module in enumerate(bus.modules) if module.terminator]


def _missing(count: int) -> Family:
    """Gone altogether, or one half of a split one open: it still hangs on one line, which no meter sees."""

    def put(chance: Chance) -> Case:
        sound = bus = healthy_bus(chance)
        for end in chance.random.sample(_ends(sound), count):
            halves = sound.modules[end].terminator or (60.0, 60.0)
            left = (halves[0], _open_ohms(chance)) if chance.often(0.25) else None
            bus = _changed(bus, end, terminator=left)
        name = "terminator missing" if count == 1 else "both terminators missing"
        return Case(bus, sound, Truth(name), _beside(chance, 0.15))

    return put


def _extra(chance: Chance) -> Case:
    """Three or four of 120 ohm, or a device with 60 for both ends."""
    sound = healthy_bus(chance)
    free = [index for index in range(len(sound.modules)) if index not in _ends(sound)]
    many = chance.random.choices((1, 2), (7, 3))[0]
    ohms = [120.0 * chance.even((0.95, 1.05)) for _ in range(many)]
    if many == 1 and chance.often(0.2):
        ohms = [60.0 * chance.even((0.95, 1.05))]
    hosts = chance.random.sample(free, min(many, len(free)))
    bus = sound
    for host, value in zip(hosts, ohms, strict=False):
        bus = _changed(bus, host, terminator=(value / 2, value / 2))
    places = [chance.random.randint(0, len(sound.wires_high)) for _ in ohms[len(hosts) :]]
    extra = tuple(Bridge("high", "low", v, p) for v, p in zip(ohms[len(hosts) :], places, strict=True))
    together = 1 / sum(1 / value for value in ohms)
    return Case(
        replace(bus, bridges=extra), sound, Truth("extra terminator", "", together), _beside(chance, 0.2)
    )


def _wrong_value(chance: Chance) -> Case:
    """One terminator of any value, or both of one wrong kind; those that keep the pair within 50 to 72 are sound."""
    sound = healthy_bus(chance)
    ends = _ends(sound)
    other = sum(sound.modules[ends[1]].terminator or ())
    both = chance.often(0.25)
    while True:
        value = chance.by_size(WRONG_OHMS)
        together = value / 2 if both else value * other / (value + other)
        if not HEALTHY_PAIR_OHMS[0] - 2 <= together <= HEALTHY_PAIR_OHMS[1] + 2:
            break
    bus = _changed(sound, ends[0], terminator=(value / 2, value / 2))
    if both:
        bus = _changed(bus, ends[1], terminator=(value / 2, value / 2))
    return Case(bus, sound, Truth("terminator of the wrong value", "", value), _beside(chance, 0.15))


# --- modules ------------------------------------------------------------------------------------------------------


def _loads(chance: Chance) -> Case:
    sound = healthy_bus(chance)
    which = chance.random.randrange(len(sound.modules))
    sound, load = replace(sound, probed=which), load_of(chance)
    amount = 2 / (1 / load.ohms_high + 1 / load.ohms_low)
    truth = Truth("module loads the lines", "", amount, "module", sound.modules[which].name)
    bus = _changed(sound, which, load=load, wakes=False)
    return Case(bus, sound, truth, _beside(chance, 0.4))


def _offset(chance: Chance) -> Case:
    """A poor ground lifts all levels of one module that sends."""
    sound, volts = healthy_bus(chance), chance.even(OFFSET_VOLTS)
    which = chance.random.choice([module for module, _ in sound.senders])
    sound = replace(sound, probed=which)
    truth = Truth("ground offset", "", volts, "module", sound.modules[which].name)
    return Case(
        _changed(sound, which, **_lifted(sound.modules[which], volts)), sound, truth, _beside(chance, 0.3)
    )


def _lifted(module: WideModule, volts: float) -> dict[str, Any]:
    stage = module.stage
    lifted = Stage(
        stage.volts_high + volts,
        stage.volts_low + volts,
        stage.ohms_high,
        stage.ohms_low,
        stage.limit_amperes,
    )
    return {"stage": lifted, "bias_volts": tuple(level + volts for level in module.bias_volts)}


def _awake_alone(chance: Chance) -> Case:
    """One module stays awake; half of them go on sending, for nobody acknowledges."""
    sound = healthy_bus(chance)
    awake = sound.senders[0][0]
    modules = tuple(replace(m, wakes=i == awake) for i, m in enumerate(sound.modules))
    share = chance.even((0.2, 0.45)) if chance.often(0.5) else 0.0
    sends = ((awake, share), *((other, 0.0) for other, _ in sound.senders[1:]))
    truth = Truth("one awake alone", "", None, "module", sound.modules[awake].name)
    return Case(
        replace(sound, modules=modules, senders=sends, probed=awake), sound, truth, _beside(chance, 0.3)
    )


def _stuck(chance: Chance) -> Case:
    sound = healthy_bus(chance)
    which = chance.random.randrange(len(sound.modules))
    sound = replace(sound, probed=which)
    truth = Truth("driver stuck", "", None, "module", sound.modules[which].name)
    return Case(_changed(sound, which, stuck=True), sound, truth, _beside(chance, 0.3))


def dead_wire(chance: Chance) -> Case:
    """One wire to a module without a terminator is broken: good at the DLC, dead at the module's parted plug."""
    while True:
        case = _in_series(chance, "open", "branch", chance.random.choice(("high", "low")), _dead_ohms(chance))
        if not case.sound.modules[case.sound.probed].terminator:
            return replace(case, beside=AT_PLUG)


def _dead_ohms(chance: Chance) -> float:
    return chance.by_size((2e6, 1e8)) if chance.often(0.4) else OPEN_OHMS


FAMILIES: Final[dict[str, Family]] = {
    "healthy, usual": _as_it_is("healthy, usual"),
    "healthy, wide": _healthy_wide,
    "quiet": _as_it_is("quiet", share=0.0),
    "asleep": _as_it_is("asleep", share=0.0),
    **{f"short, {line}": _bridged(line, "short", SHORT_OHMS) for line in SHORTS},
    "trunk, high open": _open("trunk", "high"),
    "trunk, low open": _open("trunk", "low"),
    "trunk, both open": _open("trunk", "both"),
    "branch open": _open("branch"),
    "open to the DLC": _open("DLC"),
    "poor joint": _joint,
    "terminator missing": _missing(1),
    "both terminators missing": _missing(2),
    "extra terminator": _extra,
    "terminator, wrong value": _wrong_value,
    "leak between lines": _leak("low"),
    "leak to ground": _leak("ground"),
    "leak to battery": _leak("battery"),
    "wet connector": _wet_connector,
    "module loads lines": _loads,
    "ground offset": _offset,
    "one awake alone": _awake_alone,
    "driver stuck": _stuck,
}
"""Group of the report -> what makes one of its buses."""
