"""The fixed words of a record.

Each list is a `Word`: its values are what stands in files and on screen. Reading forgives capitals, spaces,
hyphens and the usual short forms (`CAN-H`, `gnd`); anything else is refused by the loader, with a near miss.
"""

from __future__ import annotations

from typing import Final

from casebase.record.word_list import Word


class Kind(Word):
    """What a record is kept for."""

    FAULT_CASE = "fault case"
    KNOWN_GOOD = "known good"


NETWORK_LAYOUT: Final = "network layout"
"""The kind of the other record, a wiring layout, as it stands in a file."""


class Status(Word):
    """How far a fault case has come; derived from the record, never typed."""

    OPEN = "open"
    FIXED_VERIFIED = "fixed, verified"
    FIXED_NOT_PROVEN = "fixed, cause not proven"
    NOT_FIXED = "not fixed"


class Medium(Word):
    """The physical layer of a network."""

    HIGH_SPEED_CAN = "high-speed CAN"
    """ISO 11898-2; CAN FD has the same levels."""
    FAULT_TOLERANT_CAN = "fault-tolerant low-speed CAN"
    """ISO 11898-3."""
    SINGLE_WIRE_CAN = "single-wire CAN"
    """SAE J2411."""
    J1939 = "J1939"
    """ISO 11898-2 levels at 250 or 500 kbit/s."""
    LIN = "LIN"
    """ISO 17987-4."""
    FLEXRAY = "FlexRay"
    """ISO 17458-4."""
    K_LINE = "K-line"
    """ISO 9141-2, ISO 14230-1."""
    CAN_FD = "CAN FD"
    """ISO 11898-1 frames with a second bit rate, on the levels of high-speed CAN."""


class Line(Word):
    """What one lead of the instrument is on."""

    CAN_HIGH = "CAN high"
    CAN_LOW = "CAN low"
    CAN_SINGLE = "CAN single wire"
    LIN = "LIN"
    BUS_PLUS = "bus plus"
    BUS_MINUS = "bus minus"
    K_LINE = "K-line"
    L_LINE = "L-line"
    SUPPLY = "supply"
    GROUND = "ground"
    BATTERY_PLUS = "battery +"
    BATTERY_MINUS = "battery -"
    SENSOR_SIGNAL = "sensor signal"
    FIVE_VOLTS = "5 V supply"
    """What a module feeds its sensors with."""
    CASE = "case"
    """The metal housing of a module or sensor."""


LINES_OF_MEDIUM: Final = {
    Medium.HIGH_SPEED_CAN: (Line.CAN_HIGH, Line.CAN_LOW),
    Medium.J1939: (Line.CAN_HIGH, Line.CAN_LOW),
    Medium.FAULT_TOLERANT_CAN: (Line.CAN_HIGH, Line.CAN_LOW),
    Medium.SINGLE_WIRE_CAN: (Line.CAN_SINGLE,),
    Medium.LIN: (Line.LIN,),
    Medium.FLEXRAY: (Line.BUS_PLUS, Line.BUS_MINUS),
    Medium.K_LINE: (Line.K_LINE, Line.L_LINE),
    Medium.CAN_FD: (Line.CAN_HIGH, Line.CAN_LOW),
}
"""The signal lines of each medium, by its standard (see `Medium`)."""

POWER_LINES: Final = (Line.SUPPLY, Line.GROUND, Line.BATTERY_PLUS, Line.BATTERY_MINUS)
OTHER_LINES: Final = (Line.SENSOR_SIGNAL, Line.FIVE_VOLTS, Line.CASE)
"""Lines of no network that are measured on the same jobs."""


class Quantity(Word):
    """What was measured."""

    RESISTANCE = "resistance"
    VOLTAGE = "voltage"
    WAVEFORM = "waveform"
    AC_VOLTAGE = "AC voltage"
    """Taken on the meter's AC range: what varies, not the level."""
    CURRENT = "current"
    FAULT = "fault"
    """Whether the fault still shows with something unplugged or swapped; no number."""


class Ignition(Word):
    """The ignition while a reading was taken."""

    OFF = "off"
    ACCESSORY = "accessory"
    ON = "on"
    CRANKING = "cranking"
    RUNNING = "running"


BUS_SUPPLIED: Final = (Ignition.ACCESSORY, Ignition.ON, Ignition.CRANKING, Ignition.RUNNING)
"""What ohms must not be read in; at accessory some modules are still without supply (common practice, no source)."""


class Into(Word):
    """Which side of a parted plug the leads are on."""

    HARNESS = "harness"
    MODULE = "module"


class Battery(Word):
    """The vehicle battery while a reading was taken."""

    CONNECTED = "connected"
    DISCONNECTED = "disconnected"


class Tester(Word):
    """Whether a diagnostic tester was talking on the network."""

    TALKING = "talking"
    SILENT = "silent"


class Stage(Word):
    """When in the job a reading was taken."""

    AS_FOUND = "as found"
    ISOLATION = "isolation"
    AFTER_REPAIR = "after repair"


class Look(Word):
    """How a waveform looks."""

    CLEAN = "clean"
    TOO_TALL = "too tall"
    TOO_SMALL = "too small"
    SLOW_EDGES = "slow edges"
    RINGING = "ringing"
    ONE_LINE_FLAT = "one line flat"
    BOTH_TOGETHER = "both lines together"
    NOISE = "noise"
    STUCK = "stuck"


class YesNo(Word):
    """A plain answer."""

    YES = "yes"
    NO = "no"


class Answers(Word):
    """Whether a module answers the tester."""

    YES = "yes"
    NO = "no"
    INTERMITTENT = "intermittent"


class Reached(Word):
    """How the diagnostic connector sees a network."""

    DIRECTLY = "directly"
    BEHIND_GATEWAY = "behind a gateway"
    NOT_AT_DLC = "not at the DLC"


class Powertrain(Word):
    """What drives the vehicle."""

    PETROL = "petrol"
    DIESEL = "diesel"
    GAS = "gas"
    MILD_HYBRID = "mild hybrid"
    HYBRID = "hybrid"
    PLUG_IN_HYBRID = "plug-in hybrid"
    BATTERY_ELECTRIC = "battery electric"
    FUEL_CELL = "fuel cell"
    OTHER = "other"


HIGH_VOLTAGE_POWERTRAINS: Final = frozenset(
    {Powertrain.HYBRID, Powertrain.PLUG_IN_HYBRID, Powertrain.BATTERY_ELECTRIC, Powertrain.FUEL_CELL}
)
"""Powertrains with a high-voltage system unless the record says otherwise (common practice, no source)."""


class Market(Word):
    """Where the vehicle was built to be sold."""

    EUROPE = "Europe"
    NORTH_AMERICA = "North America"
    SOUTH_AMERICA = "South America"
    CHINA = "China"
    JAPAN = "Japan"
    KOREA = "Korea"
    INDIA = "India"
    SOUTH_EAST_ASIA = "South-East Asia"
    MIDDLE_EAST = "Middle East"
    AFRICA = "Africa"
    OCEANIA = "Oceania"
    OTHER = "other"


class Lamp(Word):
    """Warning lamps by the names ISO 2575 gives its symbols (names from memory)."""

    ENGINE = "engine"
    BRAKE = "brake failure"
    ABS = "anti-lock brake system"
    STABILITY = "electronic stability control"
    PARKING_BRAKE = "parking brake"
    STEERING = "steering"
    AIRBAG = "airbag"
    SEAT_BELT = "seat belt"
    TYRE_PRESSURE = "tyre pressure"
    CHARGING = "battery charging condition"
    OIL_PRESSURE = "engine oil pressure"
    COOLANT = "engine coolant temperature"
    TRANSMISSION = "transmission failure"
    IMMOBILIZER = "immobilizer"
    EXTERIOR_BULB = "exterior bulb failure"
    LEVELLING = "headlamp levelling"
    SUSPENSION = "suspension"
    DISTANCE = "distance control"
    LANE = "lane keeping"
    PARKING_AID = "parking aid"
    HYBRID_SYSTEM = "electric drive failure"
    HIGH_VOLTAGE_BATTERY = "traction battery failure"
    PREHEAT = "diesel pre-heat"
    EXHAUST = "exhaust aftertreatment"
    GENERAL = "general warning"
    DRIVER_ASSISTANCE = "driver assistance"
    SECURITY = "security"
    VEHICLE_CHARGING = "traction battery charging"
    FOUR_WHEEL_DRIVE = "four-wheel drive"
    RETARDER = "retarder"
    DOORS = "door open"


class Condition(Word):
    """When the fault shows."""

    ALWAYS = "always"
    INTERMITTENT = "intermittent"
    WET = "wet"
    HOT = "hot"
    COLD = "cold"
    HUMID = "humid"
    ROUGH_ROAD = "rough road"
    VIBRATION = "vibration"
    STEERING_TURNED = "steering turned"
    DOOR_MOVED = "door moved"
    AFTER_STANDING = "after standing"
    AFTER_START = "while starting"
    WHILE_DRIVING = "while driving"
    AFTER_OTHER_WORK = "after other work"
    AFTER_COLLISION = "after a collision"
    AFTER_BATTERY = "after a battery change or jump start"
    AFTER_ACCESSORY = "after an accessory was fitted"
    AFTER_PROGRAMMING = "after programming"
    CHARGING = "while charging"
    TOWING = "with a trailer"
    LOW_BATTERY = "low battery"


class BusState(Word):
    """What readings are judged for."""

    HEALTHY = "healthy"
    BUS_QUIET = "bus_quiet"
    BUS_ASLEEP = "bus_asleep"
    LINES_SHORTED_TOGETHER = "lines_shorted_together"
    HIGH_SHORTED_TO_GROUND = "high_shorted_to_ground"
    LOW_SHORTED_TO_GROUND = "low_shorted_to_ground"
    HIGH_SHORTED_TO_BATTERY = "high_shorted_to_battery"
    LOW_SHORTED_TO_BATTERY = "low_shorted_to_battery"
    HIGH_OPEN = "high_open"
    LOW_OPEN = "low_open"
    BOTH_OPEN = "both_open"
    TERMINATOR_MISSING = "terminator_missing"
    BOTH_TERMINATORS_MISSING = "both_terminators_missing"
    EXTRA_TERMINATOR = "extra_terminator"
    DRIVER_STUCK_DOMINANT = "driver_stuck_dominant"
    POOR_JOINT = "poor_joint"
    TERMINATOR_WRONG_VALUE = "terminator_wrong_value"
    LEAK = "leak"
    MODULE_LOADS_LINES = "module_loads_lines"
    GROUND_OFFSET = "ground_offset"
    ONE_AWAKE_ALONE = "one_awake_alone"
    LINE_SHORTED_TO_GROUND = "line_shorted_to_ground"
    LINE_SHORTED_TO_BATTERY = "line_shorted_to_battery"
    LINE_OPEN = "line_open"
    PULL_UP_MISSING = "pull_up_missing"


class Fault(Word):
    """What was found to be at fault: a bus state, or one of the causes a bus state cannot name."""

    BUS_QUIET = "bus_quiet"
    BUS_ASLEEP = "bus_asleep"
    LINES_SHORTED_TOGETHER = "lines_shorted_together"
    HIGH_SHORTED_TO_GROUND = "high_shorted_to_ground"
    LOW_SHORTED_TO_GROUND = "low_shorted_to_ground"
    HIGH_SHORTED_TO_BATTERY = "high_shorted_to_battery"
    LOW_SHORTED_TO_BATTERY = "low_shorted_to_battery"
    HIGH_OPEN = "high_open"
    LOW_OPEN = "low_open"
    BOTH_OPEN = "both_open"
    TERMINATOR_MISSING = "terminator_missing"
    BOTH_TERMINATORS_MISSING = "both_terminators_missing"
    EXTRA_TERMINATOR = "extra_terminator"
    DRIVER_STUCK_DOMINANT = "driver_stuck_dominant"
    POOR_JOINT = "poor_joint"
    TERMINATOR_WRONG_VALUE = "terminator_wrong_value"
    LEAK = "leak"
    MODULE_LOADS_LINES = "module_loads_lines"
    GROUND_OFFSET = "ground_offset"
    ONE_AWAKE_ALONE = "one_awake_alone"
    LINE_SHORTED_TO_GROUND = "line_shorted_to_ground"
    LINE_SHORTED_TO_BATTERY = "line_shorted_to_battery"
    LINE_OPEN = "line_open"
    PULL_UP_MISSING = "pull_up_missing"
    MODULE_INTERNAL = "module_internal"
    MODULE_SUPPLY_OR_GROUND = "module_supply_or_ground"
    CONNECTOR_CORROSION = "connector_corrosion"
    WATER_IN_MODULE = "water_in_module"
    CONFIGURATION = "configuration"
    AFTERMARKET_DEVICE = "aftermarket_device"
    SENSOR_OR_ACTUATOR = "sensor_or_actuator"
    GATEWAY_ISOLATION_NORMAL = "gateway_isolation_normal"
    NOISE_COUPLING = "noise_coupling"
    LOW_SYSTEM_VOLTAGE = "low_system_voltage"
    NONE = "none"


class Place(Word):
    """Where a cause was found."""

    HARNESS = "harness"
    CONNECTOR = "connector"
    SPLICE = "splice"
    MODULE = "module"
    FUSE = "fuse"
    BATTERY = "battery"
    GROUND_POINT = "ground point"
    """A ground point or strap."""
    PILLAR = "pillar"
    """The passage and coupling between body and door."""
    OTHER = "other"
    """None of these: the words beside it tell where."""


class Mechanism(Word):
    """What brought the cause about."""

    WATER = "water"
    CHAFING = "chafing"
    HEAT = "heat"
    RODENT = "rodent"
    COLLISION = "collision"
    EARLIER_REPAIR = "earlier repair"
    AGE = "age"
    VIBRATION = "vibration"
    OVERLOAD = "overload"
    LOOSE_FIT = "loose fit"


class Rescan(Word):
    """What a scan after the repair shows."""

    CLEAN = "clean"
    OTHER_CODES = "other codes remain"
    SAME_CODES = "same codes back"
    NOT_DONE = "not done"
    ALL_ANSWER = "all modules answer"


class Review(Word):
    """How far the shop lead's reading of a record has come."""

    NOT_READ = "not read yet"
    READ = "read and agreed"
    KEEP_INSIDE = "stays in the shop"
