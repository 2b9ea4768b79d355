"""What a healthy line of each medium shows: levels, receiver thresholds, termination, with the document beside each.

Levels are volts to ground, or shares of the supply where `of_supply` says so. What no document gives is marked
`from memory` (recalled from the standard) or `common practice, no source`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from casebase.record.vocabulary import Line, Medium


@dataclass(frozen=True)
class Figure:
    """The ends of a published range, and the document it stands in."""

    low: float
    high: float
    source: str

    def holds(self, value: float) -> bool:
        """Return whether `value` lies within."""
        return self.low <= value <= self.high


@dataclass(frozen=True)
class LineLevels:
    """The levels of one line. `typical`: (recessive, dominant), between which a meter's mean lies."""

    recessive: Figure
    dominant: Figure
    typical: tuple[float, float]
    asleep: Figure | None = None


@dataclass(frozen=True)
class HealthyOhms:
    """What an ohmmeter shows from `line` to `against`, battery disconnected, on a healthy bus."""

    line: Line
    against: Line
    ohms: Figure


@dataclass(frozen=True)
class MediumLevels:
    """One medium: its lines, where its receiver decides, what each end or module adds, and what an ohmmeter shows.

    `receiver`: volts between the lines of a pair, volts to ground of a single line. `termination`: ohms of one part.
    `healthy_ohms`: None where direct-current ohms tell nothing of the bus.
    """

    lines: Mapping[Line, LineLevels]
    receiver: Figure
    termination: Figure
    healthy_ohms: HealthyOhms | None = None
    of_supply: bool = False


@dataclass(frozen=True)
class Band:
    """A band of volts on one line, for a picture of levels."""

    line: Line
    low: float
    high: float
    label: str


DOMINANT_SHARE: Final = Figure(0.03, 0.45, "common practice, no source: from a few frames to a full bus")
"""Share of the time that a bus with traffic is dominant: what a meter's mean follows from."""

SUPPLY_12_VOLTS: Final = Figure(11.6, 14.6, "common practice, no source: engine off to charging")
SUPPLY_24_VOLTS: Final = Figure(23.2, 28.8, "common practice, no source: engine off to charging")

_TCAN1042: Final = "TI TCAN1042HGV, 7.7 Electrical Characteristics"
_TJA1055: Final = "NXP TJA1055 Rev 5, table 8, VCC 4.75 to 5.25 V"
_TH8055: Final = "Melexis TH8055 Rev 1.1a, page 7"
_TH8055_LOAD: Final = "Melexis TH8055 Rev 1.1a, page 10"
_TJA1083: Final = "NXP TJA1083, table 11"
_TLIN1021: Final = "TI TLIN1021-Q1 SLLSEU9D"
_K_LINE: Final = "ISO 14230-1:2012, 8.2.2, as quoted"
_ESD: Final = "esd C.3032.21 Rev 1.1, CAN Troubleshooting Guide, Termination"

_CAN_REST: Final = Figure(2.0, 3.0, _TCAN1042)
_CAN_ASLEEP: Final = Figure(-0.1, 0.1, f"{_TCAN1042}, standby")
_FLEXRAY_REST: Final = Figure(2.0, 3.0, f"{_TJA1083}, 0.4 to 0.6 VCC")
_FLEXRAY_ASLEEP: Final = Figure(-0.1, 0.1, f"{_TJA1083}, low power")
_FLEXRAY_DRIVEN: Final = Figure(
    1.5, 3.5, f"{_TJA1083}: 0.9 to 2.0 V between the lines, either way round 2.5 V"
)

HIGH_SPEED: Final = MediumLevels(
    lines=MappingProxyType(
        {
            Line.CAN_HIGH: LineLevels(_CAN_REST, Figure(2.75, 4.5, _TCAN1042), (2.5, 3.5), _CAN_ASLEEP),
            Line.CAN_LOW: LineLevels(_CAN_REST, Figure(0.5, 2.25, _TCAN1042), (2.5, 1.5), _CAN_ASLEEP),
        }
    ),
    receiver=Figure(0.5, 0.9, "NXP TJA1051 Rev 7, table 7; TI SN65HVD230 SLOS346O"),
    termination=Figure(
        118.0, 132.0, "ABB FCAN-01 manual page 34 (CiA 303-1 table); ICP DAS PISO-DNM100-D page 22"
    ),
    healthy_ohms=HealthyOhms(Line.CAN_HIGH, Line.CAN_LOW, Figure(50.0, 70.0, _ESD)),
)
"""High-speed CAN (ISO 11898-2); J1939 and CAN FD have the same levels (TI TCAN1044V SLLSFG2)."""

FAULT_TOLERANT: Final = MediumLevels(
    lines=MappingProxyType(
        {
            Line.CAN_HIGH: LineLevels(
                Figure(0.0, 0.2, _TJA1055),
                Figure(3.35, 5.25, f"{_TJA1055}: VCC - 1.4 V at 40 mA"),
                (0.0, 3.6),
                Figure(-0.1, 0.2, _TJA1055),
            ),
            Line.CAN_LOW: LineLevels(
                Figure(4.55, 5.25, f"{_TJA1055}: VCC - 0.2 V"),
                Figure(0.0, 1.4, f"{_TJA1055}, at 40 mA"),
                (5.0, 1.4),
                Figure(10.5, 15.0, "pulled to the battery, from memory (ISO 11898-3)"),
            ),
        }
    ),
    receiver=Figure(-3.5, -2.9, f"{_TJA1055}, differential"),
    termination=Figure(500.0, 16e3, "NXP TJA1055_4 page 16: 500 ohm at least; upper end from memory"),
)
"""Low-speed fault-tolerant CAN (ISO 11898-3). Unpowered modules let go of RTH and RTL: ohms tell nothing."""

FAULT_TOLERANT_LINE_OHMS: Final = Figure(
    90.0, 125.0, "about 100 from memory (ISO 11898-3); 125, NI VeriStand manual"
)
"""All RTH of a network in parallel, and likewise all RTL."""

FLEXRAY: Final = MediumLevels(
    lines=MappingProxyType(
        dict.fromkeys(
            (Line.BUS_PLUS, Line.BUS_MINUS),
            # Ones and zeros are driven opposite ways and alternate: the mean stays where idle is.
            LineLevels(_FLEXRAY_REST, _FLEXRAY_DRIVEN, (2.5, 2.5), _FLEXRAY_ASLEEP),
        )
    ),
    receiver=Figure(0.15, 0.30, f"{_TJA1083}, either sign"),
    termination=Figure(
        80.0, 110.0, "NI-XNET manual, Cabling Requirements for FlexRay: the cable's impedance"
    ),
    healthy_ohms=HealthyOhms(
        Line.BUS_PLUS, Line.BUS_MINUS, Figure(40.0, 55.0, f"{_TJA1083}, NXP TJA1085 page 38: bus load")
    ),
)
"""FlexRay (ISO 17458-4)."""

SINGLE_WIRE: Final = MediumLevels(
    lines=MappingProxyType(
        {Line.CAN_SINGLE: LineLevels(Figure(-0.1, 0.2, _TH8055), Figure(3.5, 4.55, _TH8055), (0.0, 4.0))}
    ),
    receiver=Figure(1.8, 2.2, _TH8055),
    termination=Figure(9009.0, 9191.0, f"{_TH8055_LOAD}: 9.1 kohm +-1 % a module, to ground"),
    healthy_ohms=HealthyOhms(
        Line.CAN_SINGLE, Line.GROUND, Figure(270.0, 4596.0, f"{_TH8055_LOAD}, network load")
    ),
)
"""Single-wire CAN (SAE J2411): the line rests at ground and is driven up."""

LIN: Final = MediumLevels(
    lines=MappingProxyType(
        {Line.LIN: LineLevels(Figure(0.85, 1.0, _TLIN1021), Figure(0.0, 0.2, _TLIN1021), (0.96, 0.07))}
    ),
    receiver=Figure(0.4, 0.6, "Infineon TLE9274QXV33 Rev 2.0, table 15"),
    termination=Figure(900.0, 1100.0, "TI SLLA383A: commander 1 kohm with a diode; +-10 % from memory"),
    of_supply=True,
)
"""LIN (ISO 17987-4). The diode in each pull-up makes an ohmmeter lie."""

LIN_RESPONDER_OHMS: Final = Figure(20e3, 60e3, "TI SLLA383A: 30 kohm; range from memory (ISO 17987-4)")

K_LINE: Final = MediumLevels(
    lines=MappingProxyType(
        {
            Line.K_LINE: LineLevels(
                Figure(0.9, 1.0, _K_LINE),
                Figure(0.0, 0.2, "sending module, from memory (ISO 14230-1)"),
                (0.99, 0.05),
            )
        }
    ),
    receiver=Figure(0.4, 0.6, "ST L9613, table 5"),
    termination=Figure(484.5, 535.5, f"{_K_LINE}: tester pull-up 510 ohm +-5 % at 12 V"),
    of_supply=True,
)
"""K-line (ISO 9141-2, ISO 14230-1). Without a tester only the modules' own high-ohmic parts hold the line."""

K_LINE_24_VOLT_OHMS: Final = Figure(950.0, 1050.0, f"{_K_LINE}: tester pull-up 1 kohm +-5 % at 24 V")

MEDIA: Final[Mapping[Medium, MediumLevels]] = MappingProxyType(
    {
        Medium.HIGH_SPEED_CAN: HIGH_SPEED,
        Medium.J1939: HIGH_SPEED,
        Medium.FAULT_TOLERANT_CAN: FAULT_TOLERANT,
        Medium.SINGLE_WIRE_CAN: SINGLE_WIRE,
        Medium.LIN: LIN,
        Medium.FLEXRAY: FLEXRAY,
        Medium.K_LINE: K_LINE,
        Medium.CAN_FD: HIGH_SPEED,
    }
)


def healthy_ohms(medium: Medium) -> HealthyOhms | None:
    """Return what an ohmmeter shows on a healthy bus; None where direct-current ohms tell nothing."""
    return MEDIA[medium].healthy_ohms


def expected_bands(medium: Medium, supply: Figure = SUPPLY_12_VOLTS) -> list[Band]:
    """Return the bands of volts in which a healthy line lies; `supply`: volts, for media whose levels follow it."""
    levels = MEDIA[medium]
    return [
        band
        for line, of_line in levels.lines.items()
        for band in _bands_of(line, of_line, supply if levels.of_supply else None)
    ]


def _bands_of(line: Line, levels: LineLevels, supply: Figure | None) -> list[Band]:
    named = [
        ("average with traffic", *_average(levels)),
        ("recessive", levels.recessive.low, levels.recessive.high),
        ("dominant", levels.dominant.low, levels.dominant.high),
    ]
    if levels.asleep:
        named.append(("asleep", levels.asleep.low, levels.asleep.high))
    least, most = (supply.low, supply.high) if supply else (1.0, 1.0)
    return [Band(line, round(low * least, 2), round(high * most, 2), label) for label, low, high in named]


def _average(levels: LineLevels) -> tuple[float, float]:
    """Return between what a meter's mean lies while there is traffic; where it does not move, the recessive range."""
    rest, driven = levels.typical
    if rest == driven:
        return levels.recessive.low, levels.recessive.high
    ends = [rest + (driven - rest) * share for share in (DOMINANT_SHARE.low, DOMINANT_SHARE.high)]
    return min(ends), max(ends)
