"""The control modules of the invented fleet: what shops call them, what is seen when one is silent.

Keys are those of `casebase/record/data/modules.csv`. Lamps by module, symptoms and local codes are common practice,
no source; the numbers of the codes and the source addresses of SAE J1939 are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class ModuleKind:
    """One kind of module. `names`: one per dialect of shop speech, the abbreviation first.

    `symptoms`: what a customer or a technician sees while it is silent. `local`: codes of its own circuits.
    `coded_as`: its key in the table of network codes, where that has another. `address`: its source address.
    """

    key: str
    names: tuple[str, ...]
    lamps: tuple[str, ...]
    symptoms: tuple[str, ...]
    local: tuple[str, ...]
    coded_as: str | None = None
    address: int | None = None


_CAR: Final = (
    ModuleKind(
        "engine control",
        ("ECM", "engine", "engine control module", "PCM"),
        ("engine",),
        ("cranks but won't fire", "no throttle response", "engine lamp on, limp mode", "rev counter at zero"),
        ("P0420", "P0171", "P0128", "P0455", "P0302", "P0101"),
    ),
    ModuleKind(
        "transmission control",
        ("TCM", "gearbox", "transmission", "TCU"),
        ("transmission failure",),
        ("stays in third gear", "no gear shown in the dash", "harsh shifting, then no drive"),
        ("P0741", "P0715", "P0776"),
    ),
    ModuleKind(
        "anti-lock brakes",
        ("ABS", "brake control", "EBCM", "ABS/ESC"),
        ("anti-lock brake system", "electronic stability control"),
        (
            "speedo dead",
            "ABS and skid lamps on",
            "cruise won't set, speedometer at zero",
            "brake lamps all lit",
        ),
        ("C0035-13", "C0040-1F", "C0265-01", "C0110-04"),
    ),
    ModuleKind(
        "power steering",
        ("EPS", "power steering", "steering assist", "PSCM"),
        ("steering",),
        ("steering heavy", "no assistance at the wheel", "wheel went solid on a roundabout"),
        ("C0545-07", "C1511-1C"),
    ),
    ModuleKind(
        "steering angle sensor",
        ("SAS", "steering angle", "steering wheel angle"),
        ("electronic stability control",),
        ("ESC lamp on and lane aid off", "skid lamp comes on when turning in"),
        ("C0460-54",),
    ),
    ModuleKind(
        "restraints",
        ("SRS", "airbag", "restraint control module", "RCM"),
        ("airbag",),
        ("airbag lamp stays on", "belt chime at random and airbag lamp lit"),
        ("B0081-13", "B0028-1B"),
    ),
    ModuleKind(
        "body control",
        ("BCM", "body computer", "body control module", "central electronics"),
        ("general warning", "exterior bulb failure"),
        ("indicators and wipers dead", "headlamps stay on", "key fob does nothing"),
        ("B1325-16", "B1420-11", "B2477-12"),
    ),
    ModuleKind(
        "instrument cluster",
        ("cluster", "instruments", "instrument cluster", "IPC"),
        ("general warning",),
        ("gauges drop to zero", "dash goes dark while driving", "all needles dead"),
        ("B1317-17", "B1304-09"),
    ),
    ModuleKind(
        "gateway",
        ("CGW", "gateway", "central gateway", "GWM"),
        ("general warning",),
        ("every warning in the dash at once", "tester sees nobody"),
        ("B1650-16",),
    ),
    ModuleKind(
        "gear selector",
        ("GSM", "gear selector", "shifter"),
        ("transmission failure",),
        ("won't come out of park", "lever does nothing"),
        ("P0706",),
    ),
    ModuleKind(
        "all-wheel drive",
        ("AWD", "all wheel drive"),
        ("general warning",),
        ("4x4 message, front wheels spin", "no drive to the rear axle"),
        ("C1A20-13",),
    ),
    ModuleKind(
        "parking brake",
        ("EPB", "parking brake", "park brake"),
        ("parking brake",),
        ("park brake won't release", "park brake lamp flashes"),
        ("C1C10-71",),
    ),
    ModuleKind(
        "front radar",
        ("front radar", "forward radar"),
        ("distance control",),
        ("adaptive cruise refuses", "distance keeping drops out"),
        ("C1B50-54",),
        coded_as="front radar A",
    ),
    ModuleKind(
        "suspension control",
        ("suspension", "air suspension", "level control"),
        ("suspension",),
        ("sits down at the back", "ride height message"),
        ("C1830-72",),
        address=47,
    ),
    ModuleKind(
        "climate control",
        ("HVAC", "climate", "heater control"),
        (),
        ("heater blows cold", "fan runs by itself", "heater panel frozen"),
        ("B10A2-11", "B1405-13"),
    ),
    ModuleKind(
        "radio",
        ("radio", "head unit", "infotainment"),
        (),
        ("radio dead", "screen black, no sound", "radio lost its presets"),
        ("B127B-13",),
    ),
    ModuleKind(
        "door control driver",
        ("driver door module", "door module driver"),
        (),
        ("driver's window and mirror dead", "driver's door won't lock"),
        ("B1C01-11",),
        coded_as="door control A",
    ),
    ModuleKind(
        "door control passenger",
        ("passenger door module", "door module passenger"),
        (),
        ("passenger window dead from both switches", "passenger mirror won't fold"),
        ("B1C05-11",),
        coded_as="door control B",
    ),
    ModuleKind(
        "parking assist",
        ("PDC", "parking aid", "park assist"),
        ("parking aid",),
        ("long tone when reverse is chosen", "parking beeper silent"),
        ("B1B24-13", "B1B22-13"),
    ),
    ModuleKind(
        "tailgate",
        ("tailgate module", "liftgate", "power tailgate"),
        (),
        ("boot lid does nothing", "tailgate dead from every button"),
        ("B1D40-71",),
    ),
    ModuleKind(
        "telematics",
        ("telematics", "eCall"),
        ("general warning",),
        ("SOS message in the display", "app can't reach the car"),
        ("B1A55-13",),
    ),
    ModuleKind(
        "camera",
        ("camera", "reversing camera"),
        (),
        ("reversing picture blue", "no picture in reverse"),
        ("B1211-31",),
        coded_as="camera rear",
    ),
    ModuleKind(
        "tyre pressure monitor",
        ("TPMS", "tyre pressure monitor", "tire pressure monitor"),
        ("tyre pressure",),
        ("tyre lamp flashes, then stays", "no pressures shown"),
        ("C0750-93",),
    ),
    ModuleKind(
        "drive motor",
        ("drive motor", "inverter", "traction motor"),
        ("electric drive failure",),
        ("no READY", "READY goes off at a junction"),
        ("P0A2F",),
    ),
    ModuleKind(
        "battery management",
        ("BMS", "BMU"),
        ("traction battery failure", "electric drive failure"),
        ("range gone from the display, no READY", "stop safely message"),
        ("P0A80",),
    ),
    ModuleKind(
        "battery charger",
        ("OBC", "charger", "on-board charger"),
        ("electric drive failure",),
        ("won't charge at any post", "charging stops after minutes"),
        ("P0D5C",),
    ),
    ModuleKind(
        "dc to dc converter",
        ("DC/DC", "DC/DC converter"),
        ("battery charging condition",),
        ("12 V lamp red while driving", "needs a jump after every weekend"),
        ("P0A94",),
    ),
    ModuleKind(
        "brake booster",
        ("brake booster", "electric brake booster"),
        ("brake failure",),
        ("pedal hard", "red brake message, hard pedal"),
        ("C12C4-49",),
    ),
)

CAR_MODULES: Final = {kind.key: kind for kind in _CAR}

DEVICES: Final = ("tracker", "light bar", "driving logger", "winch box", "tow kit", "beacon kit")
"""What people add to a vehicle; words that name no module of its own."""
