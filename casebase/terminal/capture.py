"""A capture on the screen: doubts, levels against what is expected, frames, senders, and one frame drawn close up."""

from __future__ import annotations

from typing import Final

import numpy as np

from casebase.bus.media import SUPPLY_12_VOLTS, Band, expected_bands
from casebase.intake.capture.can_frames import FAULT_WORDS, Fault
from casebase.intake.capture.facts import CaptureFacts
from casebase.intake.capture.levels import LineFacts
from casebase.intake.capture.shape import EdgeShape
from casebase.intake.capture.trace import Part, Trace
from casebase.terminal.page import Page

_REST, _DRIVEN, _METER, _BAND, _RULE = "○", "●", "x", "▒", "·"
_MOST_BROKEN: Final = 6
_MOST_SENDERS: Final = 24
_MOST_LIN: Final = 8
ROWS: Final = 9
_LETTERS: Final = ("h", "l")
_BOTH: Final = "="


def print_capture(facts: CaptureFacts, page: Page) -> None:
    """Print everything of a capture, the doubts first."""
    guessed = " (by its levels; --medium says otherwise)" if facts.medium_guessed else ""
    page.line(f"{facts.name}: {facts.medium}{guessed}")
    page.line(
        f"{facts.samples} samples in {_time(facts.seconds)}, {facts.samples_per_second / 1e6:.4g} million a second",
        2,
    )
    for note in facts.notes:
        page.line(note, 2)
    if facts.doubts:
        page.heading("In doubt")
        for doubt in facts.doubts:
            page.line(doubt.sentence, 2, 4)
    _print_levels(facts, page)
    _print_traffic(facts, page)
    _print_broken(facts, page)
    _print_lin(facts, page)
    _print_k_line(facts, page)
    _print_senders(facts, page)


def _print_levels(facts: CaptureFacts, page: Page) -> None:
    if not facts.levels.lines:
        return
    unit = "" if facts.volts_known else ", in steps of the file: volts are not known"
    page.heading(
        f"Levels ({_REST} at rest, {_DRIVEN} driven, {_METER} a meter's average, {_BAND} expected{unit})"
    )
    bands = expected_bands(facts.medium, SUPPLY_12_VOLTS) if facts.volts_known else []
    highest = max([1.0, *(band.high for band in bands), *(line.highest for line in facts.levels.lines)])
    for line in facts.levels.lines:
        own = [band for band in bands if band.line == line.line and band.label in ("recessive", "dominant")]
        _print_line(line, own, highest, page)
    _print_pair(facts, page)


def _print_line(line: LineFacts, bands: list[Band], highest: float, page: Page) -> None:
    width = page.width - 26
    cells = [_RULE] * width
    for band in bands:
        for cell in range(_cell(band.low, highest, width), _cell(band.high, highest, width) + 1):
            cells[cell] = _BAND
    cells[_cell(line.mean, highest, width)] = _METER
    cells[_cell(line.recessive, highest, width)] = _REST
    if line.dominant is not None:
        cells[_cell(line.dominant, highest, width)] = _DRIVEN
    page.line(f"{line.line:<10}0 {''.join(cells)} {highest:.3g} V", 2)
    page.line(f"{_REST} {line.recessive:.2f} V{_outside(line.recessive, 'recessive', bands)}", 14)
    if line.dominant is None:
        page.line("nobody drove it", 14)
    else:
        page.line(f"{_DRIVEN} {line.dominant:.2f} V{_outside(line.dominant, 'dominant', bands)}", 14)
    page.line(f"{_METER} {line.mean:.2f} V; from {line.lowest:.2f} to {line.highest:.2f} V", 14)


def _outside(volts: float, label: str, bands: list[Band]) -> str:
    """Return words for a level that no healthy line has."""
    band = next((one for one in bands if one.label == label), None)
    if band is None or band.low <= volts <= band.high:
        return ""
    return f", expected {band.low:.2f} to {band.high:.2f} V"


def _cell(volts: float, highest: float, width: int) -> int:
    return min(max(round(volts / highest * (width - 1)), 0), width - 1)


def _print_pair(facts: CaptureFacts, page: Page) -> None:
    levels = facts.levels
    if len(levels.lines) == 2:
        driven = "" if levels.signal_dominant is None else f", driven {levels.signal_dominant:.2f} V"
        page.labelled("between", f"at rest {levels.signal_recessive:.2f} V{driven}")
        sums = "" if levels.sum_dominant is None else f", driven {levels.sum_dominant:.2f} V"
        page.labelled("sum", f"at rest {levels.sum_recessive:.2f} V{sums} (the same on a healthy pair)")
        page.labelled(
            "middle",
            f"{levels.common_mode:.2f} V at rest, wandering by {levels.drift:.2f} V over the capture",
        )
    page.labelled(
        "noise", f"{levels.signal_noise * 1e3:.0f} mV (one standard deviation, a step of the scope at least)"
    )
    page.labelled("edges", _edge_words(facts))
    page.labelled("driven", f"{facts.dominant_share:.1%} of the time")
    page.labelled("looks", ", ".join(facts.looks))


def _edge_words(facts: CaptureFacts) -> str:
    names = ("to dominant", "to recessive")
    words = [
        f"{name} {_one_edge(shape, facts.levels.amplitude)}"
        for name, shape in zip(names, facts.shapes, strict=True)
        if shape is not None
    ]
    return "; ".join(words)


def _one_edge(shape: EdgeShape, amplitude: float) -> str:
    took = f"{shape.seconds * 1e9:.0f} ns" if shape.resolved else "too fast for this sample rate"
    over = f", {shape.overshoot:.2f} V beyond" if shape.overshoot > 0.1 * amplitude else ""
    return f"{took}{over}{', ringing' if shape.rings(amplitude) else ''}"


def _print_traffic(facts: CaptureFacts, page: Page) -> None:
    page.heading("Traffic")
    if not facts.traffic:
        page.line("None: the lines stay at one level.", 2)
    elif facts.can is None and facts.lin is None and facts.k_line is None:
        page.line(f"{facts.pulses} pulses; no frames are told.", 2)
    if facts.not_followed:
        page.line(f"Too many edges: the last {facts.not_followed} samples were looked at for levels only.", 2)
    if facts.can is None:
        return
    page.labelled("bit rate", _rate_words(facts.can.rate.standard, facts.can.rate.measured))
    if facts.can.data_rate is not None:
        page.labelled("data rate", _rate_words(facts.can.data_rate.standard, facts.can.data_rate.measured))
    page.labelled("frames", _frame_words(facts))


def _rate_words(standard: float | None, measured: float) -> str:
    if standard is None:
        return f"{measured / 1e3:.5g} kbit/s, which is no standard rate"
    return f"{standard / 1e3:.5g} kbit/s (measured {measured / 1e3:.5g})"


def _frame_words(facts: CaptureFacts) -> str:
    share = "" if facts.whole_share is None else f", {facts.whole_share:.1%} of those seen to their end"
    busy = "" if facts.busy_share is None else f"; the bus was busy {facts.busy_share:.1%} of the time"
    cut = "; the capture begins within one more" if facts.can and facts.can.cut_at_begin else ""
    return f"{facts.frame_count}, {facts.whole_count} whole{share}{busy}{cut}"


def _print_broken(facts: CaptureFacts, page: Page) -> None:
    counts = {kind: count for kind, count in facts.fault_counts().items() if kind is not Fault.NONE}
    if not counts:
        return
    page.heading("Not whole: the first thing wrong with each")
    for kind, count in sorted(counts.items(), key=lambda one: -one[1]):
        page.line(f"{count:>6}  {FAULT_WORDS[kind]}", 2, 10)
    for frame in facts.broken(_MOST_BROKEN):
        page.line(f"at {_time(frame.starts_seconds)}  {frame.words()}: {frame.fault_words()}", 4, 6)


def _print_lin(facts: CaptureFacts, page: Page) -> None:
    if facts.lin is None:
        return
    page.labelled("bit rate", _rate_words(facts.lin.standard, facts.lin.measured))
    page.labelled("frames", f"{facts.frame_count}, {facts.whole_count} whole")
    for frame in facts.lin.frames[:_MOST_LIN]:
        said = frame.fault or f"checksum {frame.checksum.value}"
        page.line(
            f"at {_time(frame.starts_seconds)}  {frame.identifier:02X} {frame.data.hex(' ').upper()}: {said}",
            4,
            6,
        )


def _print_k_line(facts: CaptureFacts, page: Page) -> None:
    if facts.k_line is None:
        return
    page.labelled("bit rate", _rate_words(facts.k_line.standard, facts.k_line.measured))
    page.labelled("bytes", f"{facts.k_line.byte_count} in {facts.frame_count} messages")
    for message in facts.k_line.messages[:_MOST_LIN]:
        said = "check sum fits" if message.sum_fits else "the last byte is no check sum"
        broken = f", {message.broken} without a stop bit" if message.broken else ""
        page.line(
            f"at {_time(message.starts_seconds)}  {message.data.hex(' ').upper()}: {said}{broken}", 4, 6
        )


def _print_senders(facts: CaptureFacts, page: Page) -> None:
    if not facts.senders:
        return
    page.heading("Senders (volts between the lines while each drives alone)")
    odd = [one for one in facts.senders if one.stands_out]
    plain = [one for one in facts.senders if not one.stands_out]
    for one in (*odd, *plain)[:_MOST_SENDERS]:
        both = "" if one.both is None else f", sum {one.both:.2f} V"
        broken = f", {one.broken} broken" if one.broken else ""
        page.line(f"{one.name():>8}  {one.between:.2f} V{both}, {one.whole} whole{broken}", 2, 12)
        for words in one.stands_out:
            page.line(f"stands out: {words}", 12, 14)
    if len(facts.senders) > _MOST_SENDERS:
        page.line(f"and {len(facts.senders) - _MOST_SENDERS} more", 2)


def _time(seconds: float) -> str:
    for unit, factor in (("s", 1.0), ("ms", 1e3), ("us", 1e6)):
        if seconds * factor >= 1.0:
            return f"{seconds * factor:.6g} {unit}"
    return f"{seconds * 1e9:.4g} ns"


def print_frame(trace: Trace, page: Page) -> None:
    """Print the frame of a trace; nothing where there is none."""
    if trace.frame is None:
        return
    drawn = " and ".join(f"{letter}: {line}" for letter, line in zip(_LETTERS, trace.lines, strict=False))
    page.heading(f"Close up: {trace.frame_words} ({drawn})")
    for row in frame_rows(trace.frame, page.width - 12):
        page.line(row, 2)
    begin, end = float(trace.frame.moments[0]), float(trace.frame.moments[-1])
    page.line(f"from {begin * 1e3:.3f} ms to {end * 1e3:.3f} ms", 8)


def frame_rows(part: Part, width: int) -> list[str]:
    """Return a part drawn in `ROWS` lines of text of at most `width` characters behind the volts of the outer ones."""
    low, high = float(part.lowest.min()), float(part.highest.max())
    columns = np.array_split(np.arange(len(part.moments)), min(width, len(part.moments)))
    cells = [[" "] * len(columns) for _ in range(ROWS)]
    for column, places in enumerate(columns):
        for line in range(len(part.lowest)):
            top = _row(float(part.highest[line, places].max()), low, high)
            bottom = _row(float(part.lowest[line, places].min()), low, high)
            for row in range(top, bottom + 1):
                cells[row][column] = _LETTERS[line] if cells[row][column] == " " else _BOTH
    labels = {0: f"{high:.1f} V", ROWS - 1: f"{low:.1f} V"}
    return [f"{labels.get(row, ''):>6} {''.join(cells[row])}".rstrip() for row in range(ROWS)]


def _row(volts: float, low: float, high: float) -> int:
    return round((high - volts) / max(high - low, 1e-9) * (ROWS - 1))
