"""The one module to which a stuck job itself points: the one its readings name, or the one that alone is silent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebase.match.profile import Profile
from casebase.record.modules import module_family, module_identity
from casebase.record.vocabulary import Fault

SILENT_ALONE: Final = 0.8
"""Probability that a fault within one module is that of the only module that does not answer (judged)."""

_SILENCING: Final = frozenset(
    map(
        str,
        (
            Fault.MODULE_SUPPLY_OR_GROUND,
            Fault.MODULE_INTERNAL,
            Fault.CONNECTOR_CORROSION,
            Fault.WATER_IN_MODULE,
        ),
    )
)
"""Faults of one module that silence it."""

_NO_MARK_ON_THE_WIRES: Final = frozenset(
    map(
        str,
        (
            Fault.MODULE_SUPPLY_OR_GROUND,
            Fault.CONFIGURATION,
            Fault.GATEWAY_ISOLATION_NORMAL,
            Fault.SENSOR_OR_ACTUATOR,
            Fault.LOW_SYSTEM_VOLTAGE,
            Fault.NONE,
        ),
    )
)
"""Faults that unplugging one module after the other does not find."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """The family of a module, and how probable it is that the fault goes with it."""

    family: str
    probability: float


def suspect_for(job: Profile, fault: str | None) -> Suspect | None:
    """Return the module that a fault of this job goes with, where the job itself tells one.

    `fault` None asks for the module that the readings name.
    """
    if job.host is not None and fault not in _NO_MARK_ON_THE_WIRES:
        return Suspect(module_family(module_identity(job.host[0])), job.host[1])
    alone = _silent_alone(job) if fault in _SILENCING else None
    return Suspect(alone, SILENT_ALONE) if alone else None


def _silent_alone(job: Profile) -> str | None:
    silent = [name for name, level in job.silent.items() if level >= 1.0]
    return module_family(silent[0]) if len(silent) == 1 else None
