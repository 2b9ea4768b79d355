"""The cautions that belong to a record: what can hurt somebody on this job.

General safety of the trade (common practice, no source); the maker's procedure and local rules always come first.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from functools import lru_cache
from typing import Final

from casebase.record.case import Case, Step, status_of
from casebase.record.modules import family_of, module_family, module_key, modules_named_in
from casebase.record.vocabulary import Ignition, Kind, Lamp, Quantity, Status

MAKER_FIRST: Final = "The maker's procedure and local rules come first."
RESTRAINTS: Final = (
    "Restraint systems: never put an ohmmeter on a squib circuit; "
    "battery off and wait the maker's time before unplugging."
)
HIGH_VOLTAGE: Final = (
    "High-voltage vehicle: only trained and equipped people work on it; isolate it by the maker's procedure."
)
BRAKES_OR_STEERING: Final = "Brakes or steering are involved: no road test on a repair that is not proven."
OHMS: Final = "Ohms only with the battery disconnected and the networks asleep."
MOVING_PARTS: Final = (
    "With the engine running or the vehicle raised: keep clear of moving parts, secure the vehicle."
)

RESTRAINT_MODULES: Final = frozenset(
    {"restraints", "side restraints", "restraints sensor", "occupant classification", "belt tensioner"}
)
"""Families of modules that fire airbags and belt tensioners, or tell when to; keys of `data/modules.csv`."""

_NAMES_A_RESTRAINT: Final = re.compile(
    r"air ?bag|restraint|squib|\bbelt|pretension|seat weight|occupant|\bSRS\b|inflator|pyro|clock ?spring"
    r"|(impact|crash|collision) sensor",
    re.IGNORECASE,
)
_NAMES_HIGH_VOLTAGE: Final = re.compile(
    r"\bHV(?!AC)|high.voltage|inverter|traction|(drive|e|electric).motor|motor control|hybrid|fuel cell"
    r"|charge ?port|\bcharger|vehicle charging|charging station|battery (pack|manag|energy)|converter"
    r"|(e|electric).compressor|\bPTC\b",
    re.IGNORECASE,
)
"""Words of a module's name or of its family's; where they say too much, a caution stands there for nothing (judged)."""

_NOT_TAKEN_OFF: Final = re.compile(
    r"impact|crash|battery|motor|compressor|heater|starter-generator|power distribution", re.IGNORECASE
)
"""Further families that are not unplugged for a test: some are of high voltage on some vehicles (judged)."""


@lru_cache(maxsize=1024)
def may_be_unplugged(name: str) -> bool:
    """Return whether a module may be unplugged for a test: it is known, and of no restraint and no high voltage.

    Nobody knows what hurts about a module that the table does not hold: it counts as unsafe.

    >>> may_be_unplugged("ABS"), may_be_unplugged("SDM"), may_be_unplugged("ZQX")
    (True, False, False)
    """
    if module_key(name) is None:
        return False
    family = family_of(name)
    called = f"{name}, {family}"
    dangerous = _NAMES_A_RESTRAINT.search(called) or _NAMES_HIGH_VOLTAGE.search(called)
    return not dangerous and not _NOT_TAKEN_OFF.search(called)


_RESTRAINT_LAMPS: Final = {Lamp.AIRBAG, Lamp.SEAT_BELT}
BRAKE_OR_STEERING: Final = re.compile(r"brak|stability|steering")
"""What the families of brake and steering modules have in their names."""

_BRAKE_AND_STEERING_LAMPS: Final = {Lamp.BRAKE, Lamp.ABS, Lamp.STABILITY, Lamp.STEERING, Lamp.PARKING_BRAKE}


def cautions_of(case: Case) -> list[str]:
    """Return the cautions that belong to `case`, the most dangerous first, ending with the maker's word."""
    names, lamps = _module_names(case), set(case.lamps)
    families = _families(case, names)
    called = [*names, *families]
    unproven = case.kind is Kind.FAULT_CASE and status_of(case) is not Status.FIXED_VERIFIED
    restraints = any(map(_NAMES_A_RESTRAINT.search, called)) or lamps & _RESTRAINT_LAMPS
    high_voltage = case.vehicle.has_high_voltage or any(map(_NAMES_HIGH_VOLTAGE.search, called))
    brakes_or_steering = lamps & _BRAKE_AND_STEERING_LAMPS or any(map(BRAKE_OR_STEERING.search, families))
    belongs = (
        (high_voltage, HIGH_VOLTAGE),
        (restraints, RESTRAINTS),
        (unproven and brakes_or_steering, BRAKES_OR_STEERING),
        (any(reading.quantity is Quantity.RESISTANCE for reading in case.readings), OHMS),
        (any(reading.ignition is Ignition.RUNNING for reading in case.readings), MOVING_PARTS),
    )
    return [words for applies, words in belongs if applies] + [MAKER_FIRST]


def cautions_about(names: Sequence[str]) -> list[str]:
    """Return the cautions that belong to modules, the most dangerous first; none where nothing is known to hurt.

    >>> [words[:17] for words in cautions_about(["SDM", "ABS"])]
    ['Restraint systems', 'Brakes or steerin']
    """
    families = [family_of(name) for name in names]
    called = [*names, *families]
    belongs = (
        (any(map(_NAMES_HIGH_VOLTAGE.search, called)), HIGH_VOLTAGE),
        (any(map(_NAMES_A_RESTRAINT.search, called)), RESTRAINTS),
        (any(map(BRAKE_OR_STEERING.search, families)), BRAKES_OR_STEERING),
    )
    return [words for applies, words in belongs if applies]


def cautions_of_families(families: Collection[str]) -> list[str]:
    """Return what to mind with modules of these families: restraints, brakes and steering."""
    brakes_or_steering = any(BRAKE_OR_STEERING.search(family) for family in families)
    belongs = (
        (not RESTRAINT_MODULES.isdisjoint(families), RESTRAINTS),
        (brakes_or_steering, BRAKES_OR_STEERING),
    )
    return [words for applies, words in belongs if applies]


_STEP_SPEAKS_OF: Final = {
    HIGH_VOLTAGE: re.compile(r"high.voltage|\bHV\b|traction|inverter|orange", re.IGNORECASE),
    RESTRAINTS: re.compile(r"airbag|squib|restraint|\bSRS\b|pretensioner|seat belt", re.IGNORECASE),
    BRAKES_OR_STEERING: re.compile(r"road test|test drive|brak|steering", re.IGNORECASE),
    OHMS: re.compile(r"\bohms?\b|resistance|continuity", re.IGNORECASE),
    MOVING_PARTS: re.compile(r"running|idle|\blift|raised|jack", re.IGNORECASE),
}
"""Words of a step that a caution belongs beside (judged)."""


def cautions_beside(case: Case, step: Step) -> list[str]:
    """Return those of the case's cautions that belong beside one step."""
    spoken = f"{step.did} {step.found or ''}"
    return [
        words
        for words in cautions_of(case)
        if words in _STEP_SPEAKS_OF and _STEP_SPEAKS_OF[words].search(spoken)
    ]


def _module_names(case: Case) -> list[str]:
    """Return every module that the record names, as it is written there; one that was read at by its key."""
    named = [module.name for module in case.modules] + [entry.module for entry in case.codes if entry.module]
    named += [name for reading in case.readings for name in reading.unplugged or ()]
    named += [name for trial in case.trials for name in trial.what]
    named += [found.key for reading in case.readings for found in modules_named_in(reading.at, strict=False)]
    causes = (*([case.cause] if case.cause else ()), *case.more_causes)
    return named + [cause.module for cause in causes if cause.module]


def _families(case: Case, names: Iterable[str]) -> set[str]:
    """Return the families of these modules and of those that the codes are about."""
    keys = {module_key(name) for name in names} | {entry.code.about for entry in case.codes}
    return {module_family(key) for key in keys if key}
