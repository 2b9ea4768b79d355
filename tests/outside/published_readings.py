"""Readings that others published with what they say these mean: manuals, guides, bulletins, data sheets.

Each set has its source as a document or an address, without the brand where that is a maker of vehicles; the rule it
gives in short; the bus states that say the same; and `also`: further states that are as true of it. Where the rule is
loose, `loose` says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final


@dataclass(frozen=True)
class Published:
    """One set of readings; `stated` and `also`: bus states (or a cause) that answer rightly."""

    name: str
    source: str
    medium: str
    readings: tuple[dict[str, Any], ...]
    stated: tuple[str, ...]
    rule: str
    also: tuple[str, ...] = ()
    loose: str = ""

    @property
    def acceptable(self) -> tuple[str, ...]:
        """Every state that answers rightly."""
        return (*self.stated, *self.also)


def ohms(line: str, against: str, value: str, **state: Any) -> dict[str, Any]:
    """Return a resistance as a record's keys, at the DLC with the battery off unless said otherwise."""
    keys = {"quantity": "resistance", "line": line, "against": against, "value": value}
    return {**keys, "at": "DLC", "battery": "disconnected", "unplugged": "nothing", **state}


def volts(line: str, value: str, **state: Any) -> dict[str, Any]:
    """Return a voltage to ground as a record's keys, at the DLC with the ignition on unless said otherwise."""
    keys = {"quantity": "voltage", "line": line, "against": "ground", "value": value}
    return {**keys, "at": "DLC", "ignition": "on", "unplugged": "nothing", **state}


CANOPEN_MANUAL: Final = (
    "manualshive.com/en/manual/wago/i-o-system-750/3140884?page=80 (industrial maker's manual (CANopen))"
)
CAN_GUIDE: Final = (
    "manualshive.com/en/manual/esd/c-3032-02/2426373?page=40 and "
    "yumpu.com/en/document/view/19498383 page 35 (industrial maker's CAN trouble-shooting guide)"
)
MACHINE_HELP: Final = (
    "a farm machine maker's on-screen help, diagnostics centre, page on CAN bus high and low"
)
MARINE_ENGINE: Final = "a marine engine maker's service manual of a V8, page 123"
MOWER_MANUAL: Final = "a mower maker's service manual of an electric greens mower, page 136"
FLEXRAY_TRAINING: Final = "a vehicle maker's training text on FlexRay, page 14"
TRUCK_NOTE: Final = (
    "truck maker's note TS 1033683, as repeated in an article on J1939 diagnosis (truck maker's note)"
)
FILED_BULLETIN: Final = (
    "manufacturer communication IK0800080 filed with the road-safety authority (also MC-10129176) "
    "(bulletin filed with a public authority (truck))"
)
ENGINE_MANUAL: Final = "engine maker's trouble-shooting manual, 854F-E34T, page 124 (engine maker's manual)"
TRANSCEIVER_SHEET: Final = "pdf.ic37.com/NXP TJA1055 data sheet table 4 (semiconductor maker's data sheet)"

PUBLISHED: Final = (
    Published(
        "01 high-speed CAN: 60",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "60 ohm"),),
        stated=("healthy",),
        rule="about 60: two terminators, in order",
    ),
    Published(
        "02 high-speed CAN: 120",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "120 ohm"),),
        stated=("terminator_missing",),
        rule="about 120: one terminator only",
    ),
    Published(
        "03 high-speed CAN: below 50",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "40 ohm"),),
        stated=("extra_terminator",),
        rule="below 50: more than two terminators",
    ),
    Published(
        "04 high-speed CAN: L to GND 0",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(ohms("CAN low", "ground", "0 ohm"),),
        stated=("low_shorted_to_ground",),
        rule="0 between GND and CAN_L: short",
    ),
    Published(
        "05 high-speed CAN: H to GND 0",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "ground", "0 ohm"),),
        stated=("high_shorted_to_ground",),
        rule="0 between GND and CAN_H: short",
    ),
    Published(
        "06 high-speed CAN: both to GND infinite, pair 60",
        source=CANOPEN_MANUAL,
        medium="high-speed CAN",
        readings=(
            ohms("CAN high", "CAN low", "60 ohm"),
            ohms("CAN high", "ground", "OL"),
            ohms("CAN low", "ground", "OL"),
        ),
        stated=("healthy",),
        rule="infinite to GND: in order",
    ),
    Published(
        "07 high-speed CAN: 50 to 70",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "58 ohm"),),
        stated=("healthy",),
        rule="50 to 70 in order",
    ),
    Published(
        "08 high-speed CAN: below 50",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "35 ohm"),),
        stated=(
            "lines_shorted_together",
            "extra_terminator",
        ),
        rule="below 50: short between the lines, more than two terminators, or a faulty transceiver",
        loose="'below 50' covers three causes; a short through tens of ohms and a terminator too many read alike",
    ),
    Published(
        "09 high-speed CAN: above 70",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "118 ohm"),),
        stated=(
            "terminator_missing",
            "high_open",
            "low_open",
            "both_open",
            "both_terminators_missing",
        ),
        rule="above 70: open line or a terminator missing",
        loose="'above 70' covers every open and a lost terminator; one value cannot choose",
    ),
    Published(
        "10 high-speed CAN: idle volts in order",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(
            volts("CAN high", "2.5 V"),
            volts("CAN low", "2.5 V"),
        ),
        stated=(
            "healthy",
            "bus_quiet",
        ),
        rule="all communication stopped, supplies on: 2.0 to 4.0 V each",
    ),
    Published(
        "11 high-speed CAN: idle volts above 4",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(
            volts("CAN high", "4.6 V"),
            volts("CAN low", "4.5 V"),
        ),
        stated=(
            "high_shorted_to_battery",
            "low_shorted_to_battery",
            "driver_stuck_dominant",
        ),
        rule="above 4.0 V: overvoltage or a faulty transceiver",
        also=(
            "leak",
            "module_loads_lines",
        ),
        loose="'overvoltage or a faulty transceiver' names no state: any path to a supply lifts both lines",
    ),
    Published(
        "12 high-speed CAN: idle volts below 2",
        source=CAN_GUIDE,
        medium="high-speed CAN",
        readings=(
            volts("CAN high", "1.2 V"),
            volts("CAN low", "1.2 V"),
        ),
        stated=(
            "high_open",
            "low_open",
            "high_shorted_to_ground",
            "low_shorted_to_ground",
            "driver_stuck_dominant",
        ),
        rule="below 2.0 V: faulty transceiver or an open line",
        also=(
            "leak",
            "module_loads_lines",
            "one_awake_alone",
        ),
        loose=(
            "'a faulty transceiver or an open line' names no state: an open line alone does not pull both "
            "lines to 1.2 V"
        ),
    ),
    Published(
        "13 high-speed CAN: running machine",
        source=MACHINE_HELP,
        medium="high-speed CAN",
        readings=(
            volts("CAN high", "2.9 V", ignition="running"),
            volts("CAN low", "2.0 V", ignition="running"),
        ),
        stated=("healthy",),
        rule="high 2.7 to 3.3, low 1.7 to 2.3 on a running machine",
    ),
    Published(
        "14 high-speed CAN: 60",
        source=MACHINE_HELP,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "60 ohm"),),
        stated=("healthy",),
        rule="",
    ),
    Published(
        "15 high-speed CAN: 120",
        source=MACHINE_HELP,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "120 ohm"),),
        stated=("terminator_missing",),
        rule="",
    ),
    Published(
        "16 high-speed CAN: not defined",
        source=MACHINE_HELP,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "OL"),),
        stated=("both_terminators_missing",),
        rule="not defined (no reading): neither terminator",
        also=(
            "both_open",
            "high_open",
            "low_open",
        ),
    ),
    Published(
        "17 high-speed CAN: 0 ohm",
        source=MACHINE_HELP,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "0 ohm"),),
        stated=("both_terminators_missing",),
        rule="0 ohm: neither terminator works (loose: 0 ohm is a short between the lines)",
        also=("lines_shorted_together",),
        loose=(
            "0 ohm is read as 'neither terminator works'; two terminators gone read kilohms, 0 ohm is a "
            "short between the lines"
        ),
    ),
    Published(
        "18 high-speed CAN: in order",
        source=MARINE_ENGINE,
        medium="high-speed CAN",
        readings=(ohms("CAN high", "CAN low", "59 ohm", at="connector of ECM", unplugged=["ECM"]),),
        stated=("healthy",),
        rule="58 to 60 ohm at the engine harness plug and at the command module plug",
    ),
    Published(
        "19 high-speed CAN: module alone",
        source=MARINE_ENGINE,
        medium="high-speed CAN",
        readings=(
            ohms(
                "CAN high",
                "CAN low",
                "37.1 kohm",
                at="connector of ECM",
                unplugged=["ECM"],
                into="module",
                note="measured into the unplugged module itself",
            ),
        ),
        stated=("healthy",),
        rule="37.1 kohm into the bare module is in order",
        also=("module_internal",),
    ),
    Published(
        "20 high-speed CAN: bare module shorted",
        source=MOWER_MANUAL,
        medium="high-speed CAN",
        readings=(
            ohms(
                "CAN high",
                "CAN low",
                "20 ohm",
                at="connector of TEC",
                unplugged=["TEC"],
                into="module",
                note="into the bare module",
            ),
        ),
        stated=("module_internal",),
        rule=(
            "0 to 50 ohm into the bare module: its transceiver has shorted; above 500 kohm: open; 2.25 to "
            "160 kohm in order, by kind of module"
        ),
    ),
    Published(
        "21 FlexRay: in order",
        source=FLEXRAY_TRAINING,
        medium="FlexRay",
        readings=(ohms("bus plus", "bus minus", "45 ohm", at="connector of ABS"),),
        stated=("healthy",),
        rule="terminators of 90 ohm, 45 ohm in all",
    ),
    Published(
        "22 FlexRay: one terminator",
        source=FLEXRAY_TRAINING,
        medium="FlexRay",
        readings=(ohms("bus plus", "bus minus", "90 ohm", at="connector of ABS"),),
        stated=("terminator_missing",),
        rule="one of two 90 ohm terminators left",
        also=(
            "both_open",
            "high_open",
            "low_open",
        ),
    ),
    Published(
        "23 J1939: in order",
        source=TRUCK_NOTE,
        medium="J1939",
        readings=(
            volts("CAN high", "2.6 V"),
            volts("CAN low", "2.3 V"),
        ),
        stated=("healthy",),
        rule="2.6 and 2.3 V, each within 0.1",
    ),
    Published(
        "24 J1939: no volts",
        source=TRUCK_NOTE,
        medium="J1939",
        readings=(
            volts("CAN high", "0 V"),
            volts("CAN low", "0 V"),
        ),
        stated=(
            "high_shorted_to_ground",
            "lines_shorted_together",
            "low_shorted_to_ground",
        ),
        rule="no volts: a short in the backbone or in a module",
        also=("bus_asleep",),
        loose="no volts on both lines is also how a sleeping bus looks",
    ),
    Published(
        "25 J1939: in order",
        source=FILED_BULLETIN,
        medium="J1939",
        readings=(ohms("CAN high", "CAN low", "60 ohm"),),
        stated=("healthy",),
        rule=(
            "60 ohm; where the problem is not there while you measure, all will read good; three separate "
            "J1939 buses on one truck"
        ),
    ),
    Published(
        "26 J1939: in order",
        source=ENGINE_MANUAL,
        medium="J1939",
        readings=(ohms("CAN high", "CAN low", "60 ohm"),),
        stated=("healthy",),
        rule="60 ohm of two 120; without it intermittent or unreadable",
    ),
    Published(
        "27 fault-tolerant low-speed CAN: low to battery",
        source=TRANSCEIVER_SHEET,
        medium="fault-tolerant low-speed CAN",
        readings=(
            volts("CAN low", "12.3 V"),
            volts("CAN high", "0.3 V"),
        ),
        stated=("low_shorted_to_battery",),
        rule="failure 6: low short-circuited to battery; reception goes on by CANH",
    ),
    Published(
        "28 fault-tolerant low-speed CAN: high to battery",
        source=TRANSCEIVER_SHEET,
        medium="fault-tolerant low-speed CAN",
        readings=(
            volts("CAN high", "12.3 V"),
            volts("CAN low", "4.6 V"),
        ),
        stated=("high_shorted_to_battery",),
        rule="failure 3",
    ),
    Published(
        "29 fault-tolerant low-speed CAN: low to ground",
        source=TRANSCEIVER_SHEET,
        medium="fault-tolerant low-speed CAN",
        readings=(
            volts("CAN low", "0 V"),
            volts("CAN high", "0.4 V"),
        ),
        stated=("low_shorted_to_ground",),
        rule="failure 4: CANL driver off, weak pull-up, reception by CANH",
    ),
    Published(
        "30 fault-tolerant low-speed CAN: mutual",
        source=TRANSCEIVER_SHEET,
        medium="fault-tolerant low-speed CAN",
        readings=(
            volts("CAN low", "0.5 V"),
            volts("CAN high", "0.5 V"),
        ),
        stated=("lines_shorted_together",),
        rule="failure 7: the lines together; weak pull-up only",
        also=(
            "low_shorted_to_ground",
            "high_shorted_to_ground",
        ),
    ),
)
