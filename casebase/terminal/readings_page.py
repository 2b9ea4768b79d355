"""What readings mean on the screen: the verdict, the levels as a picture in characters, probabilities, next tests."""

from __future__ import annotations

import math
from typing import Final

from casebase.bus.explain import clash_words, evidence_rows, split_words, verdict
from casebase.bus.media import Band, HealthyOhms, expected_bands, healthy_ohms
from casebase.bus.nexttest import NextTest
from casebase.bus.words import state_words
from casebase.match.meaning import Meaning
from casebase.record.quantities import OverLimit
from casebase.record.reading import Reading
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium, Quantity, Stage
from casebase.terminal.page import Page

BAR_WIDTH: Final = 24
LEAST_SHOWN: Final = 0.005
_AS_FOUND, _AFTER_REPAIR, _BAND, _RULE = "●", "○", "▒", "·"
_LOWEST_OHMS, _HIGHEST_OHMS = 0.1, 1e7


def print_meanings(meanings: list[Meaning], page: Page) -> None:
    """Print what every network's readings mean."""
    if not meanings:
        page.line(
            "No reading here that can be computed: ohms or volts of the bus lines are needed, with their network."
        )
    for meaning in meanings:
        print_meaning(meaning, page)


def print_meaning(meaning: Meaning, page: Page) -> None:
    """Print what one network's readings mean."""
    page.heading(f"What the readings can mean: {meaning.name} ({meaning.network.medium})")
    page.line(verdict(meaning.diagnosis), 2)
    _print_levels(meaning, page)
    _print_states(meaning, page)
    _print_evidence(meaning, page)
    print_next_tests(meaning.tests, page)


def print_next_tests(tests: list[NextTest], page: Page) -> None:
    """Print the tests that tell most per minute."""
    if not tests:
        return
    page.heading("Next test (most told per minute first)")
    for place, test in enumerate(tests, start=1):
        candidate = test.candidate
        page.line(f"{place}. {candidate.words()}", 2, 5)
        page.labelled("needs", f"{candidate.kind.precondition}; about {candidate.minutes:.0f} min", 5)
        page.labelled(
            "tells", f"{test.bits:.2f} bits expected; {'; '.join(split_words(test)) or 'a little of each'}", 5
        )
        for caution in candidate.cautions():
            page.labelled("mind", caution, 5)


def _print_states(meaning: Meaning, page: Page) -> None:
    clash = " (while the readings clash this means little)" if meaning.diagnosis.clashes else ""
    page.heading(f"Probability of each state{clash}")
    credible = meaning.diagnosis.credible()
    for state, share in meaning.diagnosis.ranked():
        if share >= LEAST_SHOWN:
            bar = "█" * max(1, round(share * BAR_WIDTH))
            inside = "" if state in credible else "  (outside the 90 % set)"
            shown = ">.99" if share > 0.99 else f"{share:4.2f}"
            page.line(f"{state_words(state):<31} {shown} {bar}{inside}", 2)


def _print_evidence(meaning: Meaning, page: Page) -> None:
    page.heading("What each reading says")
    for clash in clash_words(meaning.diagnosis):
        page.labelled("CLASH", clash)
    for row in evidence_rows(meaning.diagnosis):
        page.line(row.reading, 2)
        page.labelled("for", ", ".join(row.favours), 4)
        page.labelled("against", "; ".join(row.against), 4)
    for index, why in meaning.diagnosis.interpreted.unused:
        page.line(f"not used: {meaning.diagnosis.readings[index].what()} - {why}", 2, 4)


def _print_levels(meaning: Meaning, page: Page) -> None:
    """Print one ruler per line, the expected bands on it, and each reading as a mark."""
    readings = meaning.diagnosis.readings
    medium = meaning.network.medium
    volts = [reading for reading in readings if _is_level(reading)]
    if volts:
        page.heading(f"Levels ({_AS_FOUND} as found, {_AFTER_REPAIR} after repair, {_BAND} expected)")
        highest = _scale_top(volts, medium)
        for line in LINES_OF_MEDIUM[medium]:
            _print_ruler(line, [reading for reading in volts if reading.line == line], medium, highest, page)
        _print_sum(volts, medium, page)
    ohms = [reading for reading in readings if _is_pair_ohms(reading)]
    band = healthy_ohms(medium)
    if ohms and band:
        _print_ohms(ohms, band, page)


def _is_level(reading: Reading) -> bool:
    return (
        reading.quantity is Quantity.VOLTAGE
        and reading.number is not None
        and reading.line not in (Line.SUPPLY,)
    )


def _is_pair_ohms(reading: Reading) -> bool:
    pair = {reading.line, reading.against}
    return reading.quantity is Quantity.RESISTANCE and Line.GROUND not in pair and reading.number is not None


def _scale_top(volts: list[Reading], medium: Medium) -> float:
    tops = [band.high for band in expected_bands(medium)] + [reading.number or 0.0 for reading in volts]
    return next(top for top in (5.0, 15.0, 30.0, 60.0) if max(tops) <= top)


def _print_ruler(line: Line, readings: list[Reading], medium: Medium, highest: float, page: Page) -> None:
    width = page.width - 24
    bands = [band for band in expected_bands(medium) if band.line == line]
    usual = next((band for band in bands if "traffic" in band.label), bands[0] if bands else None)
    cells = [_RULE] * width
    if usual:
        _hatch(cells, usual, highest)
    for reading in readings:
        cells[_cell((reading.number or 0.0) / highest, width)] = _mark(reading)
    page.line(f"{line:<10}0 {''.join(cells)} {highest:.0f} V", 2)
    if usual:
        page.line(f"{_BAND} {usual.label}: {usual.low:.1f} to {usual.high:.1f} V", 14)
    for reading in readings:
        state = f" ({reading.state()})" if reading.state() else ""
        page.line(f"{_mark(reading)} {reading.value} at {reading.at}{state}", 14, 16)


def _hatch(cells: list[str], band: Band, highest: float) -> None:
    first, last = (_cell(volts / highest, len(cells)) for volts in (band.low, band.high))
    for index in range(first, last + 1):
        cells[index] = _BAND


def _cell(share: float, width: int) -> int:
    return min(width - 1, max(0, round(share * (width - 1))))


def _mark(reading: Reading) -> str:
    return _AFTER_REPAIR if reading.stage is Stage.AFTER_REPAIR else _AS_FOUND


def _print_sum(volts: list[Reading], medium: Medium, page: Page) -> None:
    """Print the sum of both averages, about 5 V on a healthy pair whatever the traffic."""
    if medium not in (Medium.HIGH_SPEED_CAN, Medium.J1939):
        return
    plain = [reading for reading in volts if not reading.unplugged and reading.stage is Stage.AS_FOUND]
    by_line = {reading.line: reading.number for reading in reversed(plain) if reading.at == plain[0].at}
    if Line.CAN_HIGH in by_line and Line.CAN_LOW in by_line:
        total = (by_line[Line.CAN_HIGH] or 0.0) + (by_line[Line.CAN_LOW] or 0.0)
        page.line(
            f"sum of both lines {total:.2f} V (about 5 V on a healthy pair, whatever the traffic)", 14, 16
        )


def _print_ohms(ohms: list[Reading], band: HealthyOhms, page: Page) -> None:
    width = page.width - 24
    cells = [_RULE] * width
    for index in range(_ohm_cell(band.ohms.low, width), _ohm_cell(band.ohms.high, width) + 1):
        cells[index] = _BAND
    for reading in ohms:
        cells[_ohm_cell(reading.number or 0.0, width)] = _mark(reading)
    page.line(f"{'ohms':<8}0.1 {''.join(cells)} OL", 2)
    page.line(
        f"{_BAND} healthy pair: {band.ohms.low:.0f} to {band.ohms.high:.0f} ohm (scale in powers of ten)", 14
    )
    for reading in ohms:
        state = f" ({reading.state()})" if reading.state() else ""
        value = "OL" if isinstance(reading.value, OverLimit) else str(reading.value)
        between = f"{reading.line} to {reading.against}"
        page.line(f"{_mark(reading)} {value} {between} at {reading.at}{state}", 14, 16)


def _ohm_cell(ohms: float, width: int) -> int:
    clipped = min(max(ohms, _LOWEST_OHMS), _HIGHEST_OHMS)
    return _cell(math.log(clipped / _LOWEST_OHMS) / math.log(_HIGHEST_OHMS / _LOWEST_OHMS), width)
