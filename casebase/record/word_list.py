"""A fixed list of words as a type, and the spellings of its words that are forgiven."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Final

# A sign at the end stays: battery - is not battery +.
_BETWEEN_WORDS: Final = re.compile(r"[\s_./]+|-(?=\s*\S)")


def plain_form(text: str) -> str:
    """Return `text` without capitals and separators, the form in which words are compared.

    >>> plain_form("CAN-High")
    'canhigh'
    """
    return _BETWEEN_WORDS.sub("", text).casefold()


_ARTICLE: Final = re.compile(r"^(an?|the)\s+", re.IGNORECASE)


def _named(text: str) -> str:
    """Return the plain form of what may begin with an article.

    >>> _named("A terminator missing")
    'terminatormissing'
    """
    return plain_form(_ARTICLE.sub("", text.strip()))


class Word(StrEnum):
    """A fixed list of words; `Word("CAN-H")` finds `CAN high` through `SHORT_FORMS`."""

    @classmethod
    def _missing_(cls, value: object) -> Word | None:
        if not isinstance(value, str):
            return None
        short_forms = SHORT_FORMS.get(cls.__name__, {})
        for form in (plain_form(value), _named(value)):
            meant = plain_form(short_forms.get(form, form))
            if found := next((word for word in cls if plain_form(word) == meant), None):
                return found
        return None


_LINES: Final = {
    "canh": "CAN high",
    "canhi": "CAN high",
    "canl": "CAN low",
    "canlo": "CAN low",
    "gnd": "ground",
    "earth": "ground",
    "chassis": "ground",
    "bat+": "battery +",
    "b+": "battery +",
    "batteryplus": "battery +",
    "bat-": "battery -",
    "b-": "battery -",
    "batteryminus": "battery -",
    "battery": "battery +",
    "kl30": "battery +",
    "kline": "K-line",
    "lline": "L-line",
    "bp": "bus plus",
    "bm": "bus minus",
    "flexraybp": "bus plus",
    "flexraybm": "bus minus",
    "signal": "sensor signal",
    "sensor": "sensor signal",
    "5v": "5 V supply",
    "5vref": "5 V supply",
    "5vreference": "5 V supply",
    "housing": "case",
    "sensorcase": "case",
    "modulecase": "case",
}
FAULT_LABELS: Final = {
    "bus_quiet": "bus awake without traffic",
    "bus_asleep": "bus asleep",
    "lines_shorted_together": "CAN high and CAN low shorted together",
    "high_shorted_to_ground": "CAN high shorted to ground",
    "low_shorted_to_ground": "CAN low shorted to ground",
    "high_shorted_to_battery": "CAN high shorted to battery +",
    "low_shorted_to_battery": "CAN low shorted to battery +",
    "high_open": "CAN high open",
    "low_open": "CAN low open",
    "both_open": "both lines open",
    "terminator_missing": "a terminator missing",
    "both_terminators_missing": "both terminators missing",
    "extra_terminator": "a terminator too many",
    "driver_stuck_dominant": "a driver stuck dominant",
    "poor_joint": "a poor joint in one line",
    "terminator_wrong_value": "a terminator of the wrong value",
    "leak": "a leak, as of a wet connector",
    "module_loads_lines": "a module without supply that loads the lines",
    "ground_offset": "a module whose ground is lifted",
    "one_awake_alone": "one module awake alone",
    "line_shorted_to_ground": "line shorted to ground",
    "line_shorted_to_battery": "line shorted to battery +",
    "line_open": "line open",
    "pull_up_missing": "pull-up missing",
    "module_internal": "fault inside the module",
    "module_supply_or_ground": "supply or ground of the module lost",
    "connector_corrosion": "corroded connector",
    "water_in_module": "water in the module",
    "configuration": "wrong configuration",
    "aftermarket_device": "an added device",
    "sensor_or_actuator": "a sensor or actuator",
    "gateway_isolation_normal": "no fault: the gateway keeps this network away from the DLC",
    "noise_coupling": "noise coupled into the pair",
    "low_system_voltage": "system voltage too low",
    "none": "no fault found",
}
"""Each fault as screens name it; what is shown can be typed, in a file and an option as in the interview."""

SHORT_FORMS: Final[dict[str, dict[str, str]]] = {
    "Line": _LINES,
    "Fault": {_named(label): fault for fault, label in FAULT_LABELS.items()}
    | {
        "nofault:behindthegateway": "gateway_isolation_normal",
        "bothlinesshortedtogether": "lines_shorted_together",
        "modulewithoutsupplyloadsthelines": "module_loads_lines",
    },
    "Medium": {
        "hscan": "high-speed CAN",
        "fd": "CAN FD",
        "lscan": "fault-tolerant low-speed CAN",
        "swcan": "single-wire CAN",
        "kline": "K-line",
    },
    "Quantity": {
        "ohms": "resistance",
        "volts": "voltage",
        "dcvoltage": "voltage",
        "voltsac": "AC voltage",
        "acvolts": "AC voltage",
        "vac": "AC voltage",
        "amps": "current",
        "scope": "waveform",
        "symptom": "fault",
    },
    "Ignition": {
        "engineon": "running",
        "enginerunning": "running",
        "acc": "accessory",
        "crank": "cranking",
        "starting": "cranking",
    },
    "Into": {"themodule": "module", "baremodule": "module", "theharness": "harness", "wiring": "harness"},
    "Powertrain": {
        "gasoline": "petrol",
        "ev": "battery electric",
        "hev": "hybrid",
        "mhev": "mild hybrid",
        "fcev": "fuel cell",
        "cng": "gas",
        "lpg": "gas",
        "electric": "battery electric",
        "bev": "battery electric",
        "phev": "plug-in hybrid",
    },
    "Lamp": {
        "abs": "anti-lock brake system",
        "mil": "engine",
        "checkengine": "engine",
        "esc": "electronic stability control",
        "brake": "brake failure",
        "srs": "airbag",
        "tpms": "tyre pressure",
        "tirepressure": "tyre pressure",
        "powersteering": "steering",
        "eps": "steering",
        "battery": "battery charging condition",
        "charge": "battery charging condition",
        "oil": "engine oil pressure",
        "coolant": "engine coolant temperature",
        "transmission": "transmission failure",
        "gearbox": "transmission failure",
        "immobiliser": "immobilizer",
        "charging": "battery charging condition",
        "driverassist": "driver assistance",
        "assistance": "driver assistance",
        "antitheft": "security",
        "theft": "security",
        "4wd": "four-wheel drive",
        "awd": "four-wheel drive",
        "4x4": "four-wheel drive",
        "allwheeldrive": "four-wheel drive",
        "evcharging": "traction battery charging",
        "doors": "door open",
        "door": "door open",
        "doorajar": "door open",
        "lamps": "exterior bulb failure",
        "bulb": "exterior bulb failure",
    },
    "Place": {
        "earthstrap": "ground point",
        "groundstrap": "ground point",
        "earthpoint": "ground point",
        "earth": "ground point",
        "ground": "ground point",
        "plug": "connector",
        "joint": "splice",
        "doorpillar": "pillar",
        "loom": "harness",
        "wiring": "harness",
    },
    "Rescan": {"nocodes": "clean", "samecodes": "same codes back", "allanswer": "all modules answer"},
    "TrialAction": {
        "replace": "replaced",
        "renewed": "replaced",
        "swap": "swapped",
        "substituted": "swapped",
        "unplug": "unplugged",
        "disconnected": "unplugged",
        "benchtest": "bench-tested",
        "wiggle": "wiggled",
        "bypass": "bypassed",
        "bridged": "bypassed",
        "clean": "cleaned",
        "reseat": "reseated",
        "tighten": "tightened",
        "loadtested": "loaded",
        "coded": "programmed",
        "flashed": "programmed",
        "reprogrammed": "programmed",
        "powercycled": "reset",
    },
    "Outcome": {
        "same": "no change",
        "nodifference": "no change",
        "unchanged": "no change",
        "fixed": "gone",
        "cured": "gone",
        "backtonormal": "restored",
        "returned": "came back",
        "good": "passed",
        "bad": "failed",
    },
    "Condition": {
        "rain": "wet",
        "intermittently": "intermittent",
        "bumps": "rough road",
        "driving": "while driving",
    },
}
"""Usual short forms in plain form, per list (common practice, no source)."""
