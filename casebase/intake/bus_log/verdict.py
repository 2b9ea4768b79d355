"""What a log comes to in a few lines, the gravest first: who stopped, who floods, or that nothing is wrong."""

from __future__ import annotations

from collections import Counter
from typing import Final

from casebase.intake.bus_log.habits import Flood, Habit
from casebase.intake.bus_log.report import BusReport, Report
from casebase.intake.bus_log.silence import Silence, returns
from casebase.intake.bus_log.states import Stretch
from casebase.intake.bus_log.traffic import IdentifierKey
from casebase.intake.bus_log.words import counted, keys_words, moment_words, span_words

_MOST_EACH: Final = 4
_NAMED: Final = 6
_NUMBERS: Final = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def verdict_words(one: BusReport, report: Report) -> list[str]:
    """Return what a channel's log comes to."""
    if not report.traffic.has_times:
        return ["The log bears no times: identifiers and data are told, periods, silences and load are not."]
    wrong = _wrong(one, report)
    if not wrong:
        errors = "no error frames" if report.traffic.tells_error_frames else "error frames are not told"
        judged = sum(habit is Habit.PERIOD for habit in one.habits.values())
        beside = f"nobody of {counted(judged, 'identifier')} sent at a period fell silent, {errors}"
        wrong = [f"Nothing wrong in this log: {beside}." if judged else _nothing_to_judge(errors)]
    return [*wrong, *_states(one)]


def not_judged_words(one: BusReport) -> str:
    """Return how many identifiers were not judged, and why; nothing where all were."""
    counts: Counter[Habit] = Counter(
        habit for habit in one.habits.values() if habit not in (Habit.PERIOD, Habit.FLOOD)
    )
    told = [f"{counts[habit]} sent {habit.value}" for habit in Habit if counts[habit]]
    return f"Their silence cannot be told: {', '.join(told)}." if told else ""


def _nothing_to_judge(errors: str) -> str:
    return f"Nobody can be said to have fallen silent: no identifier here keeps a period; {errors}."


def _wrong(one: BusReport, report: Report) -> list[str]:
    often = returns(one.silences)
    gone = [silence for silence in one.silences if silence.end is None]
    once = [silence for silence in one.silences if silence.end and silence.identifiers not in often]
    lines = [_flood(flood) for flood in one.floods]
    lines += _first([_stops(silence) for silence in gone], "more stop")
    lines += _first([_comes_and_goes(one, keys, count) for keys, count in often.items()], "more come and go")
    lines += _first([_was_away(silence) for silence in once], "more were away for a time")
    if one.difference:
        lines += [
            f"{module.module} sends nothing of what the known-good log has."
            for module in one.difference.modules
            if module.whole
        ][:_MOST_EACH]
    errors = one.bus.error_frames.count
    if errors and report.traffic.tells_error_frames:
        lines.append(f"{counted(errors, 'error frame')} in the log.")
    if one.load and one.load.mean > 1.0:
        lines.append(
            "More than a bus can carry: the bit rate named is not this bus's, or the log's times are wrong."
        )
    return lines


def _first(lines: list[str], more: str) -> list[str]:
    left = len(lines) - _MOST_EACH
    return [*lines[:_MOST_EACH], *([f"{left} {more}."] if left > 0 else [])]


def _who(keys: tuple[IdentifierKey, ...], sender: str | None) -> str:
    if sender:
        return f"{sender} ({keys_words(keys, _NAMED)})"
    if len(keys) == 1:
        return str(keys[0])
    count = _NUMBERS[len(keys)] if len(keys) < len(_NUMBERS) else str(len(keys))
    return f"{count.capitalize()} identifiers ({keys_words(keys, _NAMED)}), perhaps one module,"


def _verb(keys: tuple[IdentifierKey, ...], sender: str | None, one: str, many: str) -> str:
    return one if sender or len(keys) == 1 else many


def _stops(silence: Silence) -> str:
    verb = _verb(silence.identifiers, silence.sender, "stops", "stop")
    return f"{_who(silence.identifiers, silence.sender)} {verb} at {moment_words(silence.begin)}."


def _was_away(silence: Silence) -> str:
    verb = _verb(silence.identifiers, silence.sender, "is", "are")
    away = span_words((silence.end or silence.begin) - silence.begin)
    return f"{_who(silence.identifiers, silence.sender)} {verb} away for {away} at {moment_words(silence.begin)}."


def _comes_and_goes(one: BusReport, keys: tuple[IdentifierKey, ...], count: int) -> str:
    first = next(silence for silence in one.silences if silence.identifiers == keys)
    verb = _verb(keys, first.sender, "comes and goes", "come and go")
    return f"{_who(keys, first.sender)} {verb}, {count} times from {moment_words(first.begin)} on."


def _flood(flood: Flood) -> str:
    return (
        f"Somebody floods the bus: {flood.key} about {flood.frames_per_second:.0f} times a second from"
        f" {moment_words(flood.begin)} to {moment_words(flood.end)}; the others wait."
    )


def _states(one: BusReport) -> list[str]:
    lines = [_state(stretch) for stretch in one.states.stretches]
    if one.states.lost:
        lines.append(
            f"{counted(one.states.lost, 'time')} most identifiers are missing at once, for up to"
            f" {span_words(one.states.longest_lost)}: the logger lost frames, or the whole bus was disturbed."
        )
    return lines


def _state(stretch: Stretch) -> str:
    begin = moment_words(stretch.begin)
    if stretch.state == "waking":
        return f"The bus wakes until {moment_words(stretch.end or stretch.begin)}."
    if stretch.state == "asleep":
        return f"Bus asleep from {begin}."
    until = "" if stretch.end is None else f" to {moment_words(stretch.end)}"
    return (
        f"Mostly off from {begin}{until}: {counted(stretch.identifiers, 'identifier')} silent together, as with the"
        " ignition off."
    )
