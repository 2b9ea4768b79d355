"""The control modules of the invented trucks and buses, told as in `synthetic_modules`.

Their source addresses and the SPNs of their local codes are those of SAE J1939, from memory.
"""

from __future__ import annotations

from typing import Final

from synthetic_modules import ModuleKind

_TRUCK: Final = (
    ModuleKind(
        "engine control",
        ("engine", "ECM", "engine control"),
        ("engine",),
        ("rev counter at zero", "engine idles and takes no pedal", "cruise kicks out"),
        ("SPN 110 FMI 3", "SPN 94 FMI 18", "SPN 102 FMI 16"),
        address=0,
    ),
    ModuleKind(
        "transmission control",
        ("transmission", "gearbox", "TCU"),
        ("transmission failure",),
        ("no gear, box in neutral", "shifts hard, then none at all"),
        ("SPN 177 FMI 16",),
        address=3,
    ),
    ModuleKind(
        "electronic braking",
        ("EBS", "electronic braking system"),
        ("anti-lock brake system", "brake failure"),
        ("ABS lamp lit and speedo jumps", "brake message, trailer brakes hard"),
        ("SPN 789 FMI 5", "SPN 790 FMI 2"),
        address=11,
    ),
    ModuleKind(
        "retarder",
        ("retarder", "driveline retarder"),
        ("general warning",),
        ("retarder lever does nothing", "no retarder downhill"),
        ("SPN 900 FMI 4",),
        address=16,
    ),
    ModuleKind(
        "instrument cluster",
        ("cluster", "instruments", "dash"),
        ("general warning",),
        ("gauges fall to zero for a second", "dash dead"),
        ("SPN 96 FMI 4",),
        address=23,
    ),
    ModuleKind(
        "body control",
        ("body controller", "BCM", "central electronics"),
        ("exterior bulb failure",),
        ("work lamps and wipers dead", "indicators flash at will"),
        ("SPN 2348 FMI 5",),
        address=33,
    ),
    ModuleKind(
        "aftertreatment",
        ("aftertreatment", "after treatment"),
        ("exhaust aftertreatment", "engine"),
        ("won't regenerate", "derate message, no power uphill"),
        ("SPN 3719 FMI 16", "SPN 4364 FMI 18"),
        address=61,
    ),
    ModuleKind(
        "tachograph",
        ("tachograph", "tacho"),
        ("general warning",),
        ("tacho shows no speed", "tacho card not read on the road"),
        ("SPN 1611 FMI 2",),
        address=238,
    ),
    ModuleKind(
        "suspension control",
        ("air suspension", "suspension", "level control"),
        ("suspension",),
        ("frame stays down", "won't lift to ride height"),
        ("SPN 1725 FMI 4",),
        address=47,
    ),
    ModuleKind(
        "climate control",
        ("climate", "HVAC", "heater control"),
        (),
        ("cab heater blows cold", "cab fan runs by itself"),
        ("SPN 441 FMI 4",),
        address=25,
    ),
)

TRUCK_MODULES: Final = {kind.key: kind for kind in _TRUCK}
