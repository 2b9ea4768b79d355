"""What a log says in plain words, most useful first, for the screen and for the step that a case keeps of it.

A log shows no levels and asks no module for an answer, so neither a reading nor a module's answer comes of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from casebase.intake.bus_log.known_good import Difference, Missing, OtherPeriod
from casebase.intake.bus_log.report import BusReport, Load, Report
from casebase.intake.bus_log.silence import Silence, returns
from casebase.intake.bus_log.traffic import IdentifierKey
from casebase.record.case import Case, Step

MISSING_MEANS: Final = (
    "An identifier is missing where its sender is silent, or where a gateway or the log did not carry it."
)
RETURNS_MEAN: Final = (
    "as of a module that goes off the bus and comes back, or whose supply or wiring comes and goes"
)
NAMED_AT_MOST: Final = 12
_PAUSES_NAMED: Final = 3

_BUS_ERROR: Final = 0x80
_CLASSES: Final = {
    0x02: "lost arbitration",
    0x04: "controller problem",
    0x08: "protocol violation",
    0x10: "transceiver",
    0x20: "no acknowledge",
    0x40: "bus off",
    0x80: "bus error",
    0x100: "restarted",
}
"""linux/can/error.h; they speak of the controller that logged."""


def moment_words(seconds: float) -> str:
    """Return a moment since the log began: `41.20 s`, `12 min 03.5 s`."""
    if seconds < 600:
        return f"{seconds:.2f} s"
    return f"{int(seconds // 60)} min {seconds % 60:04.1f} s"


def span_words(seconds: float) -> str:
    """Return a length of time: `0.42 ms`, `10.0 ms`, `1.50 s`, `12 min 03.5 s`."""
    if seconds < 0.001:
        return f"{seconds * 1000:.2f} ms"
    if seconds < 1:
        return f"{seconds * 1000:.1f} ms"
    return moment_words(seconds)


def share_words(share: float) -> str:
    """Return a share as a percentage: `45.3 %`."""
    return f"{100 * share:.1f} %"


def keys_words(keys: Iterable[IdentifierKey], most: int = NAMED_AT_MOST) -> str:
    """Return identifiers, the first ones where there are many."""
    listed = [str(key) for key in keys]
    more = f" and {len(listed) - most} more" if len(listed) > most else ""
    return f"{', '.join(listed[:most])}{more}"


def silence_words(found: Silence) -> str:
    """Return who fell silent and when."""
    keys = keys_words(found.identifiers)
    if found.sender is None:
        who = f"{keys} (together: perhaps one sender)" if len(found.identifiers) > 1 else keys
    elif found.whole_sender:
        who = f"{found.sender}, all it sends at a period ({keys})"
    else:
        who = f"{found.sender}, a part of what it sends ({keys})"
    back = (
        "and did not come back before the log ended"
        if found.end is None
        else f"and came back at {moment_words(found.end)}, after {span_words(found.end - found.begin)}"
    )
    errors = (
        f"; {found.error_frames_near} error frames within half a second of that"
        if found.error_frames_near
        else ""
    )
    return f"{who} fell silent at {moment_words(found.begin)} {back}{errors}"


def silences_words(report: BusReport) -> list[str]:
    """Return who fell silent: those who did not come back first, then those who did so again and again."""
    often = returns(report.silences)
    gone = [one for one in report.silences if one.end is None]
    once = [one for one in report.silences if one.end is not None and one.identifiers not in often]
    told = [silence_words(one) for one in gone]
    told += [_often_words(report, keys, count) for keys, count in often.items()]
    return told + [silence_words(one) for one in once]


def _often_words(report: BusReport, keys: tuple[IdentifierKey, ...], count: int) -> str:
    one = next(found for found in report.silences if found.identifiers == keys)
    errors = sum(found.error_frames_near for found in report.silences if found.identifiers == keys)
    who = f"{one.sender} ({keys_words(keys)})" if one.sender else keys_words(keys)
    beside = f"; {errors} error frames within half a second of its last frames" if errors else ""
    return (
        f"{who} fell silent and came back {count} times, first at {moment_words(one.begin)},"
        f" {RETURNS_MEAN}{beside}"
    )


def pauses_words(report: BusReport) -> list[str]:
    """Return when the whole bus was silent; where it was so many times, how often and when longest."""
    if len(report.pauses) > _PAUSES_NAMED:
        longest = max(report.pauses, key=lambda pause: (pause.end or report.bus.last) - pause.begin)
        lasts = span_words((longest.end or report.bus.last) - longest.begin)
        asleep = [
            f"no frame at all from {moment_words(pause.begin)} on" for pause in report.pauses if not pause.end
        ]
        times = len(report.pauses) - len(asleep)
        return [
            f"no frame at all {times} times, the longest for {lasts} at {moment_words(longest.begin)}",
            *asleep,
        ]
    return [
        f"no frame at all from {moment_words(pause.begin)} to "
        + ("the end of the log" if pause.end is None else moment_words(pause.end))
        for pause in report.pauses
    ]


def error_words(report: BusReport, *, told: bool) -> list[str]:
    """Return how many error frames and when; `told` says whether this format of log tells them at all."""
    errors = report.bus.error_frames
    if not told:
        return ["error frames: not known, this format of log does not tell them here"]
    if not errors.count:
        return []
    begin = report.bus.bits_over_time.begin
    bursts = sorted(errors.bursts, key=lambda burst: -burst.count)
    largest = bursts[0]
    lines = [
        f"{counted(errors.count, 'error frame')}, the first at {moment_words(errors.bursts[0].begin - begin)};"
        f" in {counted(errors.bursts_seen, 'burst')}, the largest {largest.count} from"
        f" {moment_words(largest.begin - begin)} to {moment_words(largest.end - begin)}"
    ]
    classes = [name for bit, name in _CLASSES.items() if errors.classes & bit & ~_BUS_ERROR]
    if classes:
        lines.append(f"the logger's own controller told {', '.join(classes)}: of itself, not of a module")
    return lines


def load_words(report: BusReport, load: Load | None, seconds: float, *, rate_known: bool = True) -> str:
    """Return how full the bus was, or how many bits per second passed where the bit rate is not known."""
    bits = report.bus.nominal_bits + report.bus.data_phase_bits
    if load is None and (rate_known or seconds <= 0 or not bits):
        return "not known: the log is too short, or holds no frame"
    if load is None:
        per_second = bits / seconds
        return f"not known without the bit rate (--bit-rate): {per_second / 1000:.1f} kbit/s passed, stuff bits counted"
    bound = "at most " if load.at_most else ""
    stretch = "second" if load.peak_seconds == 1 else f"{load.peak_seconds:g} seconds"
    hint = "; more than a bus can carry" if load.mean > 1.0 else ""
    hint += "; the rate of the data phase is not known (--data-bit-rate)" if load.at_most else ""
    return (
        f"{bound}{share_words(load.mean)} ({share_words(load.without_stuffing)} without stuff bits);"
        f" fullest {stretch} {share_words(load.peak)} from {moment_words(load.peak_begin)}{hint}"
    )


def difference_words(found: Difference) -> list[str]:
    """Return how a channel differs from the known-good log: silent modules, missing, late, new, other length."""
    lines = [
        f"{one.module}: all {one.expected} identifiers it should send are missing"
        if one.whole
        else f"{one.module}: {len(one.missing)} of {one.expected} identifiers missing"
        f" ({keys_words(one.missing)}), so it sends something"
        for one in found.modules
    ]
    lines += _missing_words(found.missing)
    lines += [_late_words(one) for one in found.late[:NAMED_AT_MOST]]
    lines += [_late_words(one) for one in found.early[:NAMED_AT_MOST]]
    lines += [f"new: {keys_words(found.new)}"] if found.new else []
    lines += (
        [f"new, of a tester: {keys_words(found.new_diagnostic)} (ISO 15765-4)"]
        if found.new_diagnostic
        else []
    )
    lines += [
        f"other length: {one.key} has {bytes_words(one.lengths)}, in the known-good log {bytes_words(one.good_lengths)}"
        for one in found.lengths[:NAMED_AT_MOST]
    ]
    return lines


def _missing_words(missing: tuple[Missing, ...]) -> list[str]:
    sure = [one.key for one in missing if one.log_long_enough]
    event = [one.key for one in missing if one.period is None]
    short = [one.key for one in missing if one.period is not None and not one.log_long_enough]
    lines = [f"missing: {keys_words(sure)}"] if sure else []
    if event:
        lines.append(f"not seen, but sent without a period in the known-good log: {keys_words(event)}")
    if short:
        lines.append(f"not seen, but this log is too short to miss it: {keys_words(short)}")
    return lines


def _late_words(one: OtherPeriod) -> str:
    word = "late" if one.factor > 1 else "more often"
    return (
        f"{word}: {one.key} every {span_words(one.period)}, in the known-good log every"
        f" {span_words(one.good_period)}"
    )


def bytes_words(lengths: tuple[int, ...]) -> str:
    """Return data lengths: `8 bytes`, `2 or 4 bytes`."""
    return "1 byte" if lengths == (1,) else f"{' or '.join(map(str, lengths))} bytes"


def counted(count: int, what: str) -> str:
    """Return a count with its word: `1 frame`, `2 frames`."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def headline(report: Report) -> str:
    """Return in one line what log it is."""
    traffic = report.traffic
    channels = f", {len(traffic.buses)} channels" if len(traffic.buses) > 1 else ""
    return f"{counted(traffic.frames, 'frame')} in {moment_words(traffic.duration)}{channels}"


def found_words(report: Report) -> list[str]:
    """Return what a record's step keeps of a log: all but the table of identifiers."""
    lines = []
    for one in report.buses:
        name = f"{one.bus.channel}: " if len(report.buses) > 1 else ""
        told = silences_words(one) + pauses_words(one)
        told += error_words(one, told=report.traffic.tells_error_frames)
        told += difference_words(one.difference) if one.difference else []
        if one.load:
            told.append(f"bus load {load_words(one, one.load, report.traffic.duration)}")
        lines += [f"{name}{line}" for line in told] or [f"{name}nobody fell silent, no error frames"]
    if any(one.difference and one.difference.missing for one in report.buses):
        lines.append(MISSING_MEANS)
    return lines


_LONGEST_FOUND: Final = 4000


def step_of(report: Report) -> Step:
    """Return the step that tells a log: its file's name, how long it is, what was found."""
    good = report.known_good
    beside = f", compared with the known-good log {good.path.name}" if good else ""
    lines = [f"{line[:1].upper()}{line[1:].rstrip('.')}." for line in found_words(report)]
    found, left = "", len(lines)
    for line in lines:
        if len(found) + len(line) > _LONGEST_FOUND:
            break
        found += f"{line}\n"
        left -= 1
    more = f"And {left} findings more.\n" if left else ""
    name = "".join(letter if letter.isprintable() else "?" for letter in report.traffic.path.name)
    return Step(did=f"logged the bus ({name}: {headline(report)}{beside})", found=f"{found}{more}".strip())


def with_step(case: Case, report: Report) -> Case:
    """Return the case with the step; unchanged where it has that very step already."""
    step = step_of(report)
    return case if step in case.steps else case.model_copy(update={"steps": [*case.steps, step]})
