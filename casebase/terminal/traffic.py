"""A log of the bus on the screen: who fell silent first, then what differs, errors and load, then the identifiers."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.intake.bus_log import words
from casebase.intake.bus_log.habits import Habit
from casebase.intake.bus_log.report import BusReport, Report
from casebase.intake.bus_log.senders import j1939_fields, source_words
from casebase.intake.bus_log.traffic import Identifier
from casebase.intake.bus_log.verdict import not_judged_words, verdict_words
from casebase.terminal.page import Page

MOST_IDENTIFIERS: Final = 20
MOST_LINES: Final = 12
_BARS: Final = "_▁▂▃▄▅▆▇█"
_FEWEST_BARS: Final = 3
_BESIDE: Final = 13


def print_traffic(report: Report, page: Page, *, every: bool = False) -> None:
    """Print what a log says; `every` lists all identifiers and all findings."""
    page.heading(f"{report.traffic.path.name}: {words.headline(report)}")
    for note in report.traffic.notes:
        page.line(note[:1].upper() + note[1:], 2)
    for one in report.buses:
        if len(report.buses) > 1:
            page.heading(f"Channel {one.bus.channel or '(without a name)'}")
        _print_bus(one, report, page, every)


def _print_bus(one: BusReport, report: Report, page: Page, every: bool) -> None:
    page.heading("In short")
    for line in verdict_words(one, report):
        page.line(line, 2, 4)
    _print_silences(one, page, every)
    _print_difference(one, report, page, every)
    _print_never_seen(one, page, every)
    _print_errors(one, report, page)
    _print_load(one, report, page)
    _print_identifiers(one, page, every)


def _print_silences(one: BusReport, page: Page, every: bool) -> None:
    page.heading("Who fell silent")
    lines = words.silences_words(one) + words.pauses_words(one)
    _print_some(lines, page, every)
    steady = sum(habit is Habit.PERIOD for habit in one.habits.values())
    if not steady:
        page.line("Cannot be told: no identifier here has a steady period.", 2)
    elif not lines:
        page.line(f"Nobody of the {words.counted(steady, 'identifier')} sent at a period.", 2)
    not_judged = not_judged_words(one)
    if not_judged:
        page.line(not_judged, 2)


def _print_difference(one: BusReport, report: Report, page: Page, every: bool) -> None:
    if report.known_good is None:
        return
    page.heading(f"Against the known-good log {report.known_good.path.name}")
    if one.difference is None:
        page.line(f"It has no channel {one.bus.channel}: nothing to compare with.", 2)
    elif one.difference.nothing:
        page.line("Nothing is missing, late, new, or of another length.", 2)
    else:
        _print_some(words.difference_words(one.difference), page, every)
        if one.difference.missing:
            page.line(words.MISSING_MEANS, 2)


def _print_never_seen(one: BusReport, page: Page, every: bool) -> None:
    """Print which modules of the table sent nothing here; with a known-good log that tells it better."""
    if not one.never_seen or one.difference is not None:
        return
    page.heading("Of the table of modules, never seen here")
    _print_some([f"{name}: {words.keys_words(keys)}" for name, keys in one.never_seen], page, every)
    page.line(words.MISSING_MEANS, 2)


def _print_errors(one: BusReport, report: Report, page: Page) -> None:
    lines = words.error_words(one, told=report.traffic.tells_error_frames)
    page.heading("Error frames")
    for line in lines or ["None in the log; whether its logger keeps them, the log does not say."]:
        page.line(line[:1].upper() + line[1:], 2)


def _print_load(one: BusReport, report: Report, page: Page) -> None:
    page.heading("The bus")
    bus = one.bus
    known = report.rates.nominal is not None
    page.labelled("load", words.load_words(one, one.load, report.traffic.duration, rate_known=known))
    page.labelled("over time", _load_over_time(one, page.width - _BESIDE))
    if bus.fd_frames:
        page.labelled(
            "CAN FD",
            f"{bus.fd_frames} of {bus.frames} frames, {bus.switched_frames} with the faster data phase;"
            f" {bus.error_passive_frames} from senders that are error passive",
        )
    if one.j1939:
        page.labelled("J1939", "identifiers look like J1939: the last byte is read as the source address")
    if bus.clock_set_back:
        page.labelled(
            "clock",
            f"set back {words.counted(bus.clock_set_back, 'time')} within the log; what was sent after that counts on",
        )


def _load_over_time(one: BusReport, width: int) -> str:
    """Return the load as a row of bars, the whole log across it; the full height is its fullest stretch."""
    sums = one.bus.bits_over_time.per_second() + 0.0
    extra = one.bus.data_bits_over_time
    if extra.seconds_per_bin == one.bus.bits_over_time.seconds_per_bin:
        sums[: len(extra.sums)] += extra.per_second()
    if len(sums) < _FEWEST_BARS:
        return ""
    fullest = [part.max() for part in np.array_split(sums, min(width, len(sums)))]
    highest = max(fullest)
    return "".join(_BARS[round(amount / highest * (len(_BARS) - 1))] for amount in fullest)


def _print_identifiers(one: BusReport, page: Page, every: bool) -> None:
    found = one.bus.identifiers
    if not found:
        return
    page.heading(words.counted(len(found), "identifier"))
    page.line(f"{'identifier':<10}{'frames':>9} {'period':>10} {'jitter':>9} {'longest gap':>13} at", 2)
    ordered = sorted(found, key=lambda identifier: _address(identifier, one))
    shown = ordered if every else ordered[:MOST_IDENTIFIERS]
    address = -1
    for identifier in shown:
        if _address(identifier, one) != address:
            address = _address(identifier, one)
            page.line(f"{source_words(address)}:", 2)
        page.line(_row(identifier, one), 2, 12)
    if len(found) > len(shown):
        page.line(f"and {len(found) - len(shown)} more; --all lists them", 2)


def _address(found: Identifier, one: BusReport) -> int:
    """Return the source address that an identifier is listed under; -1 where it has none."""
    return j1939_fields(found.key.number).source if one.j1939 and found.key.extended else -1


def _row(found: Identifier, one: BusReport) -> str:
    period = words.span_words(found.period) if found.period is not None else "-"
    jitter = words.span_words(found.jitter) if found.jitter is not None else "-"
    gap, begin = found.gaps[0] if found.gaps else (0.0, 0.0)
    longest = f"{words.span_words(gap):>13} {words.moment_words(begin)}" if found.gaps else f"{'-':>13}"
    sender = one.senders.get(found.key)
    steady = "" if found.steady else ", no steady period"
    told = f"; {sender}" if sender else ""
    if one.j1939 and found.key.extended:
        fields = j1939_fields(found.key.number)
        told = f"; parameter group {fields.parameter_group}, priority {fields.priority}{told}"
    return (
        f"{found.key!s:<10}{found.count:>9} {period:>10} {jitter:>9} {longest};"
        f" {words.bytes_words(found.lengths)}{steady}{told}"
    )


def _print_some(lines: list[str], page: Page, every: bool) -> None:
    for line in lines if every else lines[:MOST_LINES]:
        page.line(line[:1].upper() + line[1:], 2, 4)
    if not every and len(lines) > MOST_LINES:
        page.line(f"and {len(lines) - MOST_LINES} more; --all lists them", 2)
