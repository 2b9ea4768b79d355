"""Readings and codes on the screen: what they can mean, the levels drawn in characters, probabilities, next tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from casebase.bus.explain import (
    SUM_MEANING,
    band_words,
    clash_words,
    evidence_rows,
    healthy_words,
    state_words,
    told_words,
    verdict,
)
from casebase.bus.feed import Feed, feed_words
from casebase.bus.levels import Levels, Mark, OhmRuler, VoltRuler, levels_of, share_of_ohms, share_of_volts
from casebase.bus.media import HealthyOhms
from casebase.bus.next_test import NextTest
from casebase.bus.plain_tests import NO_TEST_LEFT
from casebase.bus.stuck import PlainTest
from casebase.match.meaning import Meaning
from casebase.record.vocabulary import Line, Stage
from casebase.terminal.page import Page

BAR_WIDTH: Final = 24
LEAST_SHOWN: Final = 0.005
MOST_STATES: Final = 5
_AS_FOUND, _AFTER_REPAIR, _BAND, _RULE = "●", "○", "▒", "·"


def print_meanings(meanings: list[Meaning], feeds: Sequence[Feed], page: Page) -> None:
    """Print the feeds that were read, and what every network's readings mean."""
    print_feeds(feeds, page)
    if not meanings and not feeds:
        page.line(
            "No reading here that can be computed: ohms or volts of the bus lines are needed, with their network."
        )
    for meaning in meanings:
        print_meaning(meaning, page)


def print_meanings_in_short(
    meanings: list[Meaning], feeds: Sequence[Feed], plain: Sequence[PlainTest], page: Page
) -> None:
    """Print what every network's readings mean in a few lines: verdict, the likeliest states, one next test."""
    print_feeds(feeds, page)
    for meaning in meanings:
        page.heading(f"What the readings can mean: {meaning.name} ({meaning.network.medium})")
        page.line(verdict(meaning.diagnosis), 2)
        for clash in clash_words(meaning.diagnosis):
            page.labelled("CLASH", clash)
        _print_states(meaning, page, MOST_STATES)
        print_next_tests(meaning.tests[:1], page)
    if not any(meaning.tests for meaning in meanings):
        print_plain_tests(plain[:1], False, page)


def print_feeds(feeds: Sequence[Feed], page: Page) -> None:
    """Print one line for the supply and ground of each module that was read; nothing where none was."""
    if feeds:
        page.heading("Supply and ground, as read at the plugs")
    for feed in feeds:
        page.line(feed_words(feed), 2, 4)


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
    page.heading("Next test (most telling per minute first)")
    for place, test in enumerate(tests, start=1):
        candidate = test.candidate
        page.line(f"{place}. {candidate.words()}", 2, 5)
        page.labelled("needs", f"{candidate.kind.precondition}; about {candidate.minutes:.0f} min", 5)
        page.labelled("tells", "; ".join(told_words(test)) or "a little about each", 5)
        for caution in candidate.cautions():
            page.labelled("mind", caution, 5)


def print_plain_tests(tests: Sequence[PlainTest], computed: bool, page: Page) -> None:
    """Print the tests that no bus rates; where there is none of any kind, why."""
    if tests:
        page.heading("Next, by common practice")
    elif not computed:
        page.heading("Next test")
        page.line(NO_TEST_LEFT, 2)
    for place, test in enumerate(tests, start=1):
        page.line(f"{place}. {test.words}", 2, 5)
        page.labelled("needs", f"{test.precondition}; about {test.minutes:.0f} min", 5)
        page.bullets("tells", list(test.outcomes), 5)
        page.bullets("mind", list(test.cautions), 5)


def _print_states(meaning: Meaning, page: Page, most: int | None = None) -> None:
    clash = " (while the readings clash this means little)" if meaning.diagnosis.clashes else ""
    page.heading(f"Probability of each state{clash}")
    credible = meaning.diagnosis.credible()
    for state, share in meaning.diagnosis.ranked()[:most]:
        if share >= LEAST_SHOWN:
            bar = "█" * max(1, round(share * BAR_WIDTH))
            inside = "" if state in credible else "  (unlikely)"
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
    levels = levels_of(meaning.diagnosis.readings, meaning.network.medium, with_scope=False)
    if levels.has_volts:
        page.heading(f"Levels ({_AS_FOUND} as found, {_AFTER_REPAIR} after repair, {_BAND} expected)")
        for ruler in levels.rulers:
            _print_ruler(ruler, levels.top_volts, page)
        _print_sum(levels, page)
    for ohms in levels.ohms:
        if ohms.healthy and ohms.against is not Line.GROUND:
            _print_ohms(ohms, ohms.healthy, page)


def _print_ruler(ruler: VoltRuler, highest: float, page: Page) -> None:
    width = page.width - 24
    usual = ruler.usual
    cells = [_RULE] * width
    if usual:
        _hatch(cells, *(share_of_volts(volts, highest) for volts in (usual.low, usual.high)))
    for mark in ruler.marks:
        cells[_cell(share_of_volts(mark.number, highest), width)] = _shape(mark)
    page.line(f"{ruler.line:<10}0 {''.join(cells)} {highest:.0f} V", 2)
    if usual:
        page.line(f"{_BAND} {usual.label}: {band_words(usual)}", 14)
    for mark in ruler.marks:
        page.line(f"{_shape(mark)} {mark.value} at {mark.at}{_state(mark)}", 14, 16)


def _hatch(cells: list[str], low: float, high: float) -> None:
    for index in range(_cell(low, len(cells)), _cell(high, len(cells)) + 1):
        cells[index] = _BAND


def _cell(share: float, width: int) -> int:
    return round(share * (width - 1))


def _shape(mark: Mark) -> str:
    return _AFTER_REPAIR if mark.stage is Stage.AFTER_REPAIR else _AS_FOUND


def _state(mark: Mark) -> str:
    return f" ({mark.state})" if mark.state else ""


def _print_sum(levels: Levels, page: Page) -> None:
    """Print the sum of both averages as found."""
    for total in levels.sums:
        if total.stage is Stage.AS_FOUND:
            page.line(f"sum of both lines {total.volts:.2f} V ({SUM_MEANING})", 14, 16)


def _print_ohms(ruler: OhmRuler, healthy: HealthyOhms, page: Page) -> None:
    width = page.width - 24
    cells = [_RULE] * width
    _hatch(cells, share_of_ohms(healthy.ohms.low), share_of_ohms(healthy.ohms.high))
    for mark in ruler.marks:
        cells[_cell(share_of_ohms(mark.number), width)] = _shape(mark)
    page.line(f"{'ohms':<8}0.1 {''.join(cells)} OL", 2)
    page.line(f"{_BAND} healthy pair: {healthy_words(ruler)} (scale in powers of ten)", 14)
    for mark in ruler.marks:
        page.line(f"{_shape(mark)} {mark.value} {ruler.between} at {mark.at}{_state(mark)}", 14, 16)


def print_codes(told: dict[str, Any], page: Page) -> None:
    """Print what `codes_data` found."""
    for code in told["codes"]:
        stored = f"{code['module']}: " if code["module"] else ""
        status = f" ({code['status']})" if code["status"] else ""
        page.line(f"{stored}{code['code']}{status} - {code['meaning']}", 0, 4)
        page.line(f"{code['statement']}, {code['scope']}; system: {code['system']}", 4)
        if code["guess"]:
            page.line(code["guess"], 4)
    _print_blame(told["blame"], page)
    _print_unread(told, page)


def _print_blame(blame: list[dict[str, Any]], page: Page) -> None:
    if blame:
        page.heading("Who is blamed")
    for row in blame:
        kind = "missed" if row["kind"] == "lost" else "its data refused"
        by = f" by {', '.join(row['by'])}" if row["by"] else " (the scan does not say by whom)"
        page.line(f"{row['module']}: {kind}{by} - {', '.join(row['codes'])}", 2, 5)


def _print_unread(told: dict[str, Any], page: Page) -> None:
    if told["silent_modules"]:
        page.heading("No answer")
        page.line(", ".join(told["silent_modules"]), 2)
    if told["unread"]:
        page.heading("Looks like a code but cannot be read: type it again by hand")
        for row in told["unread"]:
            page.line(f"line {row['line']}: {row['text']}", 2, 5)
