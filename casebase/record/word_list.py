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


class Word(StrEnum):
    """A fixed list of words; `Word("CAN-H")` finds `CAN high` through `SHORT_FORMS`."""

    @classmethod
    def _missing_(cls, value: object) -> Word | None:
        if not isinstance(value, str):
            return None
        form = plain_form(value)
        form = plain_form(SHORT_FORMS.get(cls.__name__, {}).get(form, form))
        return next((word for word in cls if plain_form(word) == form), None)


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
_FAULTS: Final = {
    "busawakewithouttraffic": "bus_quiet",
    "canhighandcanlowshortedtogether": "lines_shorted_together",
    "canhighshortedtoground": "high_shorted_to_ground",
    "canlowshortedtoground": "low_shorted_to_ground",
    "canhighshortedtobattery+": "high_shorted_to_battery",
    "canlowshortedtobattery+": "low_shorted_to_battery",
    "canhighopen": "high_open",
    "canlowopen": "low_open",
    "bothlinesopen": "both_open",
    "aterminatormissing": "terminator_missing",
    "missingterminator": "terminator_missing",
    "aterminatortoomany": "extra_terminator",
    "terminatortoomany": "extra_terminator",
    "adriverstuckdominant": "driver_stuck_dominant",
    "apoorjointinoneline": "poor_joint",
    "poorjointinoneline": "poor_joint",
    "aterminatorofthewrongvalue": "terminator_wrong_value",
    "terminatorofthewrongvalue": "terminator_wrong_value",
    "aleak,asofawetconnector": "leak",
    "leak,asofawetconnector": "leak",
    "aleak": "leak",
    "amodulewithoutsupplythatloadsthelines": "module_loads_lines",
    "modulewithoutsupplythatloadsthelines": "module_loads_lines",
    "amodulewhosegroundislifted": "ground_offset",
    "modulewhosegroundislifted": "ground_offset",
    "onemoduleawakealone": "one_awake_alone",
    "lineshortedtobattery+": "line_shorted_to_battery",
    "faultinsidethemodule": "module_internal",
    "supplyorgroundofthemodulelost": "module_supply_or_ground",
    "corrodedconnector": "connector_corrosion",
    "waterinthemodule": "water_in_module",
    "wrongconfiguration": "configuration",
    "anaddeddevice": "aftermarket_device",
    "asensororactuator": "sensor_or_actuator",
    "nofault:thegatewaykeepsthisnetworkawayfromthedlc": "gateway_isolation_normal",
    "nofault:behindthegateway": "gateway_isolation_normal",
    "noisecoupledintothepair": "noise_coupling",
    "systemvoltagetoolow": "low_system_voltage",
    "nofaultfound": "none",
    "abusawakewithouttraffic": "bus_quiet",
    "abusasleep": "bus_asleep",
}
"""As the screens and the interview call them: what is shown can be typed, in a file and an option too."""

SHORT_FORMS: Final[dict[str, dict[str, str]]] = {
    "Line": _LINES,
    "Fault": _FAULTS,
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
    "Condition": {"rain": "wet", "intermittently": "intermittent", "bumps": "rough road"},
}
"""Usual short forms in plain form, per list (common practice, no source)."""
