"""The causes of the synthetic world: how often each, what state of the bus it leaves, whom it silences.

All shares are judged: supply, ground and connectors lead, as workshops tell; shorts to battery and two lost terminators
are rare; every cause gets about one case in two hundred at least.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

Weighted = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Way:
    """One way in which a cause comes about.

    `state`: what is left of the bus electrically. `reach`: the part of the bus that is hit (`trunk`, `branch`,
    the DLC's `stub`, `inside` a module, a terminator's `end`, or `none`). `effect`: who falls silent (the whole
    `bus`, those `far` beyond a cut, `one` module, `all but one`, `some` at times, `nobody answers` the tester, `none`),
    or only `data` is refused; `local`: data, and lamps of several modules.
    """

    share: float
    state: str
    reach: str
    effect: str
    places: Weighted
    mechanisms: Weighted
    by_device: bool = False


_WIRE: Final = (("harness", 0.6), ("connector", 0.25), ("splice", 0.15))
_PLUG: Final = (("connector", 0.8), ("splice", 0.2))
_JOINT: Final = (("connector", 0.6), ("splice", 0.3), ("harness", 0.1))
_MODULE: Final = (("module", 1.0),)
_RUBBED: Final = (
    ("chafing", 5.0),
    ("rodent", 2.0),
    ("collision", 1.5),
    ("heat", 1.0),
    ("earlier repair", 1.5),
)
_PARTED: Final = (("chafing", 2.0), ("water", 2.5), ("rodent", 2.0), ("collision", 1.5), ("age", 2.0))
_WET: Final = (("water", 1.0),)
_WORN: Final = (("age", 3.0), ("heat", 2.0), ("water", 1.0))
_DONE_BEFORE: Final = (("earlier repair", 1.0),)


def _short(state: str) -> tuple[Way, ...]:
    return (
        Way(0.75, state, "trunk", "bus", _WIRE, _RUBBED),
        Way(0.25, state, "inside", "bus", _MODULE, (("water", 2.0), ("age", 2.0), ("heat", 1.0))),
    )


def _open(state: str, branch: float, stub: float) -> tuple[Way, ...]:
    return (
        Way(branch, state, "branch", "one", _WIRE, _PARTED),
        Way(1.0 - branch - stub, state, "trunk", "far", _WIRE, _PARTED),
        Way(stub, state, "stub", "nobody answers", _PLUG, (("age", 2.0), ("earlier repair", 2.0))),
    )


FAULTS: Final[dict[str, tuple[float, tuple[Way, ...]]]] = {
    "bus_quiet": (
        1.2,
        (Way(1.0, "bus_quiet", "none", "nobody answers", (("fuse", 0.6), ("module", 0.4)), _WORN),),
    ),
    "bus_asleep": (
        1.0,
        (Way(1.0, "bus_asleep", "none", "nobody answers", (("harness", 0.5), ("fuse", 0.5)), _PARTED),),
    ),
    "lines_shorted_together": (4.0, _short("lines_shorted_together")),
    "high_shorted_to_ground": (5.0, _short("high_shorted_to_ground")),
    "low_shorted_to_ground": (5.0, _short("low_shorted_to_ground")),
    "high_shorted_to_battery": (2.0, _short("high_shorted_to_battery")),
    "low_shorted_to_battery": (2.5, _short("low_shorted_to_battery")),
    "high_open": (6.0, _open("high_open", 0.5, 0.08)),
    "low_open": (6.0, _open("low_open", 0.5, 0.08)),
    "both_open": (4.0, _open("both_open", 0.5, 0.15)),
    "terminator_missing": (
        5.0,
        (
            Way(0.5, "terminator_missing", "end", "some", _MODULE, (("earlier repair", 2.0), ("age", 1.0))),
            Way(0.5, "terminator_missing", "end", "some", (("connector", 1.0),), _PARTED),
        ),
    ),
    "both_terminators_missing": (
        1.6,
        (Way(1.0, "both_terminators_missing", "end", "bus", (("splice", 0.5), ("connector", 0.5)), _PARTED),),
    ),
    "extra_terminator": (
        2.5,
        (
            Way(0.6, "extra_terminator", "trunk", "some", (("connector", 1.0),), _DONE_BEFORE),
            Way(0.4, "extra_terminator", "inside", "some", _MODULE, _DONE_BEFORE),
        ),
    ),
    "driver_stuck_dominant": (
        4.0,
        (
            Way(
                1.0,
                "driver_stuck_dominant",
                "inside",
                "bus",
                _MODULE,
                (("heat", 3.0), ("age", 3.0), ("water", 1.0)),
            ),
        ),
    ),
    "module_supply_or_ground": (
        14.0,
        (
            Way(0.35, "healthy", "none", "one", (("fuse", 1.0),), (("age", 2.0), ("chafing", 1.0))),
            Way(
                0.45, "healthy", "none", "one", _PLUG, (("water", 3.0), ("age", 2.0), ("earlier repair", 1.0))
            ),
            Way(0.2, "healthy", "none", "one", (("harness", 1.0),), _PARTED),
        ),
    ),
    "module_internal": (
        9.0,
        (
            Way(0.75, "healthy", "none", "one", _MODULE, _WORN),
            Way(0.25, "healthy", "none", "data", _MODULE, _WORN),
        ),
    ),
    "connector_corrosion": (
        12.0,
        (
            Way(0.2, "high_open", "branch", "one", _PLUG, _WET),
            Way(0.2, "low_open", "branch", "one", _PLUG, _WET),
            Way(0.1, "both_open", "branch", "one", _PLUG, _WET),
            Way(0.3, "healthy", "none", "one", _PLUG, _WET),
            Way(0.1, "low_shorted_to_ground", "trunk", "bus", _PLUG, _WET),
            Way(0.1, "both_open", "trunk", "far", _PLUG, _WET),
        ),
    ),
    "water_in_module": (
        5.0,
        (
            Way(0.4, "healthy", "none", "one", _MODULE, _WET),
            Way(0.25, "low_shorted_to_ground", "inside", "bus", _MODULE, _WET),
            Way(0.15, "lines_shorted_together", "inside", "bus", _MODULE, _WET),
            Way(0.2, "driver_stuck_dominant", "inside", "bus", _MODULE, _WET),
        ),
    ),
    "configuration": (5.0, (Way(1.0, "healthy", "none", "data", _MODULE, _DONE_BEFORE),)),
    "aftermarket_device": (
        5.0,
        (
            Way(0.3, "extra_terminator", "trunk", "some", _WIRE, _DONE_BEFORE, by_device=True),
            Way(0.3, "healthy", "none", "none", _WIRE, _DONE_BEFORE, by_device=True),
            Way(0.25, "healthy", "none", "some", _WIRE, _DONE_BEFORE, by_device=True),
            Way(0.15, "high_shorted_to_battery", "trunk", "bus", _WIRE, _DONE_BEFORE, by_device=True),
        ),
    ),
    "sensor_or_actuator": (3.0, (Way(1.0, "healthy", "none", "data", _PLUG, _WORN),)),
    "gateway_isolation_normal": (6.0, (Way(1.0, "bus_quiet", "none", "none", _MODULE, ()),)),
    "noise_coupling": (2.5, (Way(1.0, "healthy", "none", "some", (("harness", 1.0),), _DONE_BEFORE),)),
    "low_system_voltage": (
        4.0,
        (Way(1.0, "healthy", "none", "some", _PLUG, (("age", 3.0), ("water", 1.0))),),
    ),
    "poor_joint": (
        6.0,
        (
            Way(0.45, "poor_joint", "trunk", "far", _JOINT, _WORN),
            Way(0.45, "poor_joint", "branch", "one", _JOINT, _WORN),
            Way(0.10, "poor_joint", "stub", "nobody answers", _PLUG, _WORN),
        ),
    ),
    "terminator_wrong_value": (
        2.0,
        (Way(1.0, "terminator_wrong_value", "end", "some", _MODULE, _DONE_BEFORE),),
    ),
    "leak": (
        3.5,
        (
            Way(0.7, "leak", "trunk", "some", _PLUG, _WET),
            Way(0.3, "leak", "inside", "some", _MODULE, _WET),
        ),
    ),
    "module_loads_lines": (
        2.5,
        (
            Way(0.6, "module_loads_lines", "inside", "one", (("module", 0.7), ("fuse", 0.3)), _WORN),
            Way(0.4, "module_loads_lines", "inside", "some", _MODULE, (("age", 2.0), ("heat", 1.0))),
        ),
    ),
    "ground_offset": (
        3.0,
        (Way(1.0, "ground_offset", "inside", "one", (("harness", 0.4), ("connector", 0.6)), _PARTED),),
    ),
    "one_awake_alone": (
        2.5,
        (Way(1.0, "one_awake_alone", "none", "all but one", (("fuse", 0.6), ("module", 0.4)), _WORN),),
    ),
}
"""By cause: how often, in percent or so, and the ways in which it comes about."""
