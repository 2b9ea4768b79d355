"""What a technician writes down of a bus that ngspice solved: a hand-held meter's errors, its digits, and slips.

The figures of the meter are those of a hand-held instrument of 6000 or 2000 counts (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from random import Random
from typing import Any, Final

from ngspice_bus import SpiceBus
from ngspice_run import Solved

from casebase.record.reading import Reading

OHMS_GAIN, VOLTS_GAIN = 0.008, 0.005
"""Largest error of a meter's scale, fixed for one meter; any value within it is as likely."""

REPEAT: Final = 0.001
"""Scatter between readings of one meter, as a share of the value, beside the last digit."""

LEAD_OHMS: Final = (0.1, 0.4)
TRAFFIC_VARIES: Final = 0.06
"""Standard deviation of the traffic from one reading to the next, as a share of it (judged)."""

STANDBY_VOLTS: Final = 0.1
"""Each line of a sleeping bus is within 0.1 V of ground (TCAN1042HGV 7.7)."""

OHMS_ROWS: Final = {
    "ohms between": ("between", "CAN high", "CAN low"),
    "ohms high": ("high", "CAN high", "ground"),
    "ohms low": ("low", "CAN low", "ground"),
}
VOLTS_ROWS: Final = {"volts high": (0, "CAN high"), "volts low": (1, "CAN low")}


@dataclass(frozen=True)
class Meter:
    """One instrument: its scale errors and counts."""

    counts: int
    ohms_gain: float
    volts_gain: float

    @classmethod
    def of(cls, random: Random, counts: int) -> Meter:
        """Return a random meter."""
        return cls(counts, random.uniform(-OHMS_GAIN, OHMS_GAIN), random.uniform(-VOLTS_GAIN, VOLTS_GAIN))

    def ohms(self, true: float, random: Random) -> str:
        """Return what it shows of a resistance."""
        shown = true * (1 + self.ohms_gain + random.gauss(0, REPEAT)) + random.uniform(*LEAD_OHMS)
        for unit, size in (
            ("ohm", 0.1),
            ("kohm", 1.0),
            ("kohm", 10.0),
            ("kohm", 100.0),
            ("Mohm", 1e3),
            ("Mohm", 1e4),
        ):
            if shown < self.counts * size:
                factor = {"ohm": 1.0, "kohm": 1e3, "Mohm": 1e6}[unit]
                return f"{self._rounded(shown / factor, size / factor, random)} {unit}"
        return "OL"

    def volts(self, true: float, random: Random) -> str:
        """Return what it shows of a voltage."""
        shown = true * (1 + self.volts_gain + random.gauss(0, REPEAT))
        step = 0.001 if abs(shown) < self.counts * 0.001 else 0.01
        return f"{self._rounded(shown, step, random)} V"

    @staticmethod
    def _rounded(value: float, step: float, random: Random) -> str:
        decimals = max(0, round(-_log10(step)))
        return f"{round(value / step + random.choice((-1, 0, 0, 1))) * step:.{decimals}f}"


def _log10(step: float) -> int:
    return {1e-4: -4, 1e-3: -3, 1e-2: -2, 1e-1: -1}.get(float(f"{step:.1e}"), 0)


@dataclass(frozen=True)
class Shown:
    """The values the leads met, before the meter's errors: ohms and volts by row."""

    ohms: dict[str, float]
    volts: dict[str, float]


def met_by_leads(bus: SpiceBus, found: Solved, random: Random) -> Shown:
    """Return the values at the DLC, each voltage averaged over the traffic of its own moment."""
    ohms = {row: found.ohms["dlc", ends] for row, (ends, _, _) in OHMS_ROWS.items()}
    standby = min(max(random.gauss(0.0, STANDBY_VOLTS / 2.5), -STANDBY_VOLTS), STANDBY_VOLTS)
    volts = {}
    for row, (index, _) in VOLTS_ROWS.items():
        if bus.state == "bus_asleep":
            volts[row] = found.asleep[index] + standby + random.gauss(0, 0.003)
        else:
            volts[row] = _average(bus, found, index, random.gauss(1.0, TRAFFIC_VARIES))
    return Shown(ohms, volts)


def _average(bus: SpiceBus, found: Solved, index: int, traffic: float) -> float:
    still = found.rest[index]
    moved = (share * (sent[index] - still) for share, sent in zip(bus.shares, found.sent, strict=True))
    return still + traffic * sum(moved)


def written(shown: Shown, meter: Meter, random: Random) -> dict[str, str]:
    """Return the text of each row."""
    return {
        **{row: meter.ohms(ohms, random) for row, ohms in shown.ohms.items()},
        **{row: meter.volts(volts, random) for row, volts in shown.volts.items()},
    }


def readings_of(texts: dict[str, str]) -> list[Reading]:
    """Return the readings, stated in full, that casebase is given."""
    return [Reading.model_validate(_keys(row) | {"value": text}) for row, text in texts.items()]


def _keys(row: str) -> dict[str, Any]:
    common = {"at": "DLC", "unplugged": "nothing"}
    if row in OHMS_ROWS:
        _, line, against = OHMS_ROWS[row]
        state = {"ignition": "off", "battery": "disconnected"}
        return {"quantity": "resistance", "line": line, "against": against, **common, **state}
    state = {"ignition": "on", "battery": "connected"}
    return {"quantity": "voltage", "line": VOLTS_ROWS[row][1], "against": "ground", **common, **state}


# --- slips --------------------------------------------------------------------------------------------------------

_OTHER: Final = {
    "ohms high": "ohms low",
    "ohms low": "ohms high",
    "volts high": "volts low",
    "volts low": "volts high",
}
SLIPS: Final = ("decimal point", "other line", "asleep")


def slipped(slip: str, rows: tuple[str, ...], shown: Shown, random: Random) -> Shown:
    """Return the values with one row spoilt: the point moved, the leads on the other line, or read while asleep."""
    if slip == "decimal point":
        row, factor = random.choice(rows), random.choice((10.0, 0.1))
        value = _value(shown, row)
        # A record refuses more than 60 V: there the point can only have moved the other way.
        return _changed(shown, row, value * (0.1 if row in VOLTS_ROWS and value > 5.9 else factor))
    if slip == "asleep":
        row = random.choice([row for row in rows if row in VOLTS_ROWS])
        return _changed(shown, row, random.uniform(-0.02, 0.08))
    row = random.choice(rows)
    # Both leads meant for the lines: one of them on ground instead.
    other = _OTHER.get(row) or random.choice(("ohms high", "ohms low"))
    return _changed(shown, row, _value(shown, other))


def _value(shown: Shown, row: str) -> float:
    return {**shown.ohms, **shown.volts}[row]


def _changed(shown: Shown, row: str, value: float) -> Shown:
    if row in shown.ohms:
        return replace(shown, ohms={**shown.ohms, row: value})
    return replace(shown, volts={**shown.volts, row: value})
