"""What was captured where nobody says: which of the channels are a bus's lines, and of which medium, by their levels.

The levels of each medium stand in `bus/media.py`; the limits here lie half way between those of one and the next
(chosen).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.errors import CaptureError
from casebase.intake.capture.levels import LEAST_SWING_VOLTS, Survey, two_levels
from casebase.intake.capture.pulses import Wiring, wiring_of
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium

ONE_LINE: Final = (Medium.LIN, Medium.K_LINE, Medium.SINGLE_WIRE_CAN)

_SUPPLY_SWING_VOLTS: Final = 6.0
"""A line that moves so far is pulled up to the vehicle's supply: LIN or K-line."""
_LOGIC_VOLTS: Final = (2.6, 5.6)
"""From rest near 0 V: single-wire CAN (4 V driven), or a transceiver's logic side (3.3 or 5 V)."""
_NEAR_ZERO_VOLTS: Final = 0.7
_PAIR_REST_VOLTS: Final = (1.7, 3.2)
_FLEXRAY_VOLTS: Final = 0.3
"""A receiver of FlexRay takes more than this between the lines for a bit, of either sign (NXP TJA1083)."""
_BOTH_SIGNS: Final = (0.25, 0.75)
_OPPOSITE: Final = -0.6
"""Lines of a pair move against one another: correlated below this (chosen)."""

_CAN_OF_TWO_LINES: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939, Medium.FAULT_TOLERANT_CAN)
_RESTS_HIGH: Final = (Medium.LIN, Medium.K_LINE)
"""Media whose line, and whose logic side, is high while nobody drives (ISO 17987-4, ISO 9141-2)."""


@dataclass(frozen=True)
class Chosen:
    """Which rows of the capture are read, as what; `note` says it where there were more to choose from."""

    rows: tuple[int, ...]
    wiring: Wiring
    note: str = ""


@dataclass(frozen=True)
class _Row:
    """One channel: its lower and its higher level in volts (None where it has one level), and how often it is high."""

    low: float
    high: float | None
    share_high: float

    @property
    def swing(self) -> float:
        return 0.0 if self.high is None else self.high - self.low


def chosen_lines(seen: Survey, medium: Medium | None, name: str) -> Chosen:
    """Return the lines to read of a medium, or of the one that the levels tell.

    Raises `CaptureError` where the channels do not tell which of them are the lines.
    """
    count = len(seen.rows)
    rows = [_row(row) for row in seen.rows]
    if all(np.isin(row, (0.0, 1.0)).all() for row in seen.rows) and np.ptp(seen.rows):
        busiest = int(np.argmax([np.count_nonzero(np.diff(row)) for row in seen.rows]))
        note = f"channel {busiest + 1} of {count} is read, the one that changes most" if count > 1 else ""
        down = medium in _RESTS_HIGH or _rests_high(rows[busiest])
        return Chosen((busiest,), Wiring(medium or Medium.HIGH_SPEED_CAN, (), logic=True, down=down), note)
    single = _single_line(rows, medium)
    if single is not None:
        note = (
            f"channel {single.rows[0] + 1} of {count} is read: the others are not of this bus"
            if count > 1
            else ""
        )
        return Chosen(single.rows, single.wiring, note)
    pair = (0, 1) if count == 2 else _pair_among(seen)
    if pair is None:
        raise CaptureError(
            f"{name}: has {count} channels, and their levels do not tell the lines: say which are time, high and low"
            " with --columns, such as 1,2,3"
        )
    note = f"channels {pair[0] + 1} and {pair[1] + 1} of {count} are read as the pair" if count > 2 else ""
    kind = medium or _pair_medium(seen, pair)
    return Chosen(pair, wiring_of(kind), note)


def other_readings(wiring: Wiring, guessed: bool) -> tuple[Wiring, ...]:
    """Return as what else a single channel may be read where no frame of it is whole.

    Which level is the one at rest is guessed from how long each lasts, which a short capture of a full bus upsets; a
    logic level does not tell the medium.
    """
    if len(wiring.lines) > 1 or wiring.medium not in _CAN_OF_TWO_LINES:
        return ()
    lines = tuple(line for line in LINES_OF_MEDIUM[wiring.medium][:2] if line not in wiring.lines)
    turned = replace(wiring, down=not wiring.down, lines=lines if wiring.lines else ())
    lin = Wiring(Medium.LIN, (), down=True, logic=True)
    return (turned, lin) if wiring.logic and guessed else (turned,)


def _row(row: NDArray[np.float32]) -> _Row:
    low, high, _ = two_levels(row)
    share = 0.0 if high is None else float(np.mean(row > (low + high) / 2))
    return _Row(low, high, share)


def _rests_high(row: _Row) -> bool:
    return row.share_high >= 0.5


def _single_line(rows: list[_Row], medium: Medium | None) -> Chosen | None:
    """Return the one line that is read where there is one channel, or one of several is a line pulled up to supply."""
    if medium in ONE_LINE or len(rows) == 1:
        place = max(range(len(rows)), key=lambda place: rows[place].swing) if len(rows) > 1 else 0
        return Chosen((place,), _wiring_of_one(rows[place], medium))
    to_supply = [place for place, row in enumerate(rows) if row.swing > _SUPPLY_SWING_VOLTS]
    if medium is None and len(to_supply) == 1:
        return Chosen(tuple(to_supply), wiring_of(Medium.LIN))
    return None


def _wiring_of_one(row: _Row, medium: Medium | None) -> Wiring:
    """Return how a single channel is read."""
    if medium in ONE_LINE:
        return wiring_of(medium)
    if medium is None and (row.swing > _SUPPLY_SWING_VOLTS or row.low > _SUPPLY_SWING_VOLTS):
        return wiring_of(Medium.LIN)
    near_zero = abs(row.low) < _NEAR_ZERO_VOLTS and row.high is not None
    if near_zero and row.high is not None and _LOGIC_VOLTS[0] < row.high < _LOGIC_VOLTS[1]:
        if medium is None and not _rests_high(row):
            return wiring_of(Medium.SINGLE_WIRE_CAN)
        return Wiring(medium or Medium.HIGH_SPEED_CAN, (), logic=True, down=_rests_high(row))
    kind = medium or Medium.HIGH_SPEED_CAN
    first, second = LINES_OF_MEDIUM[kind][:2]
    down = _rests_high(row) if row.high is not None else False
    line: Line = second if down else first
    return Wiring(kind, (line,), down=down)


def _pair_medium(seen: Survey, pair: tuple[int, int]) -> Medium:
    """Return which pair it is, by the levels at rest and by whether it is driven to either side."""
    between = seen.rows[pair[0]] - seen.rows[pair[1]]
    apart = float(np.median(between))
    if apart < -3.5 and seen.highest[pair[1]] > 4.0:
        return Medium.FAULT_TOLERANT_CAN
    driven = np.abs(between) > max(_FLEXRAY_VOLTS, 0.4 * float(np.abs(between).max()))
    if np.count_nonzero(driven) > 50:
        up = float(np.mean(between[driven] > 0))
        middle = sum(float(np.mean(seen.rows[place])) for place in pair) / 2
        if _BOTH_SIGNS[0] < up < _BOTH_SIGNS[1] and _PAIR_REST_VOLTS[0] < middle < _PAIR_REST_VOLTS[1]:
            return Medium.FLEXRAY
    return Medium.HIGH_SPEED_CAN


def _pair_among(seen: Survey) -> tuple[int, int] | None:
    """Return which two of several channels move against one another, the one that goes up when driven first."""
    best: tuple[float, tuple[int, int]] | None = None
    for first, second in permutations(range(len(seen.rows)), 2):
        one, other = seen.rows[first], seen.rows[second]
        if min(np.ptp(one), np.ptp(other)) < LEAST_SWING_VOLTS:
            continue
        against = float(np.corrcoef(one, other)[0, 1])
        goes_up = float(one.mean()) - float(np.median(one)) > float(other.mean()) - float(np.median(other))
        if against < _OPPOSITE and goes_up and (best is None or against < best[0]):
            best = against, (first, second)
    return best[1] if best else None
