"""Everything that is read out of a capture, and the same as plain data for JSON: volts, seconds, bits per second."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final, TypeAlias

import numpy as np

from casebase.intake.capture.can_frames import FAULT_WORDS, Fault, Frame
from casebase.intake.capture.can_traffic import Traffic, traffic_in
from casebase.intake.capture.doubts import Doubt, Kind, Sent, doubts_of, is_swapped, pulses_seen
from casebase.intake.capture.levels import Levels, LineFacts, levels_in, survey
from casebase.intake.capture.medium import chosen_lines, other_readings
from casebase.intake.capture.open_capture import open_capture
from casebase.intake.capture.pulses import FRAMES_OF_CAN, Pulses, Wiring, pulses_in, wiring_of
from casebase.intake.capture.samples import Capture, Tell, Wanted
from casebase.intake.capture.senders import SenderFacts, reversed_senders, senders_in
from casebase.intake.capture.shape import EdgeShape, edge_shapes, looks_of
from casebase.intake.capture.uart_frames import (
    KLineMessage,
    KLineTraffic,
    LinFrame,
    LinTraffic,
    k_line_traffic,
    lin_traffic,
)
from casebase.record.vocabulary import Look, Medium

Told: TypeAlias = Callable[[str, int, int], None]
"""Takes note of what is being done, and how many samples of how many are done."""

_READING: Final = "Reading the file"
_LEVELS: Final = "Looking at the levels"
_EDGES: Final = "Following the edges"
_FEWEST_PULSES: Final = 4


@dataclass(frozen=True)
class CaptureFacts:
    """What a capture tells.

    Levels are volts as recorded, times the scale that was given. `shapes`: edges to dominant, edges to recessive.
    `can`, `lin` and `k_line` are None where none of their frames were found. `rows`: the channels of the file that were
    read, in the order of the lines. `not_followed`: samples at the end that were not looked at for edges, because there
    were too many.
    """

    name: str
    medium: Medium
    medium_guessed: bool
    seconds: float
    samples: int
    samples_per_second: float
    volts_known: bool
    notes: tuple[str, ...]
    rows: tuple[int, ...]
    levels: Levels
    pulses: int
    not_followed: int
    shapes: tuple[EdgeShape | None, EdgeShape | None]
    can: Traffic | None
    lin: LinTraffic | None
    k_line: KLineTraffic | None
    senders: tuple[SenderFacts, ...]
    doubts: tuple[Doubt, ...]
    looks: tuple[Look, ...]
    dominant_share: float

    @property
    def traffic(self) -> bool:
        """Whether somebody sent: frames, or pulses of which no frame could be told."""
        return bool(self.frame_count) or self.pulses >= _FEWEST_PULSES

    @property
    def frame_count(self) -> int:
        """Frames that were seen to begin; messages of a K-line."""
        if self.lin is not None:
            return len(self.lin.frames)
        if self.k_line is not None:
            return len(self.k_line.messages)
        return len(self.can.frames) if self.can is not None else 0

    @property
    def samples_per_bit(self) -> float | None:
        """Samples of one bit; None where no bit rate was told."""
        if self.can is not None:
            return self.can.rate.samples_per_bit
        rate = self.lin.measured if self.lin else self.k_line.measured if self.k_line else None
        return self.samples_per_second / rate if rate else None

    @property
    def whole_count(self) -> int:
        """Frames with nothing wrong; messages of a K-line whose bytes all have their stop bit."""
        if self.lin is not None:
            return sum(frame.whole for frame in self.lin.frames)
        if self.k_line is not None:
            return sum(not message.broken for message in self.k_line.messages)
        return int(np.count_nonzero(self.can.frames.whole)) if self.can is not None else 0

    @property
    def cut_off_count(self) -> int:
        """CAN frames that the end of the capture cut off: neither whole nor broken."""
        return int(np.count_nonzero(self.can.frames.faults == Fault.CUT_OFF)) if self.can is not None else 0

    @property
    def whole_share(self) -> float | None:
        """Share of whole frames among those that were captured to their end; None without any."""
        count = self.frame_count - self.cut_off_count
        return self.whole_count / count if count else None

    @property
    def busy_share(self) -> float | None:
        """Share of the time in which a CAN frame was on the bus; None where frames were not told."""
        if self.can is None or not len(self.can.frames):
            return None
        taken = float(np.sum(self.can.frames.ends - self.can.frames.starts))
        return min(taken / self.can.pulses.followed, 1.0)

    def broken(self, most: int) -> list[Frame]:
        """Return the first broken CAN frames, those cut off left out."""
        if self.can is None:
            return []
        faults = self.can.frames.faults
        places = np.flatnonzero((faults != Fault.NONE) & (faults != Fault.CUT_OFF))[:most]
        return [self.can.frames.frame(int(place), self.seconds / self.samples) for place in places]

    def fault_counts(self) -> dict[Fault, int]:
        """Return how many CAN frames have each first fault."""
        if self.can is None:
            return {}
        kinds, counts = np.unique(self.can.frames.faults, return_counts=True)
        return {Fault(int(kind)): int(count) for kind, count in zip(kinds, counts, strict=True)}

    def doubt(self, kind: Kind) -> Doubt | None:
        """Return the doubt of a kind, where there is one."""
        return next((one for one in self.doubts if one.kind is kind), None)


def read_capture(
    path: Path,
    medium: Medium | None = None,
    wanted: Wanted | None = None,
    tell: Told | None = None,
    second: Path | None = None,
) -> CaptureFacts:
    """Read a capture whole; raise `CaptureError` where it cannot be read.

    `medium` None: taken from the levels where they tell it. `tell` is told what is being done and how far it is.
    `second`: the other line's file, where each line has its own.
    """
    # Levels beyond all measure are refused in a sentence; NumPy's own words about them would stand beside it.
    with np.errstate(all="ignore"), open_capture(path, wanted, telling(tell, _READING), second) as capture:
        return facts_of(capture, medium, tell)


def facts_of(capture: Capture, medium: Medium | None = None, tell: Told | None = None) -> CaptureFacts:
    """Return what an open capture tells."""
    seen = survey(capture, telling(tell, _LEVELS))
    chosen = chosen_lines(seen, medium, capture.path.name)
    capture, seen, wiring = capture.only(chosen.rows), seen.only(chosen.rows), chosen.wiring
    levels = levels_in(seen, wiring)
    if is_swapped(levels, wiring):
        wiring = replace(wiring, swapped=True)
        levels = levels_in(seen, wiring)
    pulses = _pulses(capture, wiring, levels, tell)
    if medium is None and wiring.medium is Medium.LIN:
        wiring = _supply_line(wiring, pulses, capture.seconds_per_sample)
    notes = (*capture.notes, chosen.note) if chosen.note else capture.notes
    capture = replace(capture, notes=notes)
    facts = _put_together(capture, wiring, levels, pulses, medium is None)
    if len(pulses.begins) and not facts.whole_count:
        for other in other_readings(wiring, medium is None):
            levels_read = levels_in(seen, other)
            read = _pulses(capture, other, levels_read, tell)
            tried = _put_together(capture, other, levels_read, read, medium is None)
            if tried.whole_count:
                facts, wiring, levels = tried, other, levels_read
                break
    facts = replace(facts, rows=chosen.rows[::-1] if wiring.swapped else chosen.rows)
    if facts.can is None:
        return facts
    turned = reversed_senders(capture, seen, wiring, levels, facts.can)
    return replace(facts, senders=(*facts.senders, *turned)) if turned else facts


def _supply_line(wiring: Wiring, pulses: Pulses, seconds_per_sample: float) -> Wiring:
    """Return the wiring of LIN, or of a K-line where no LIN frame begins and its bytes do."""
    if lin_traffic(pulses, seconds_per_sample) or not k_line_traffic(pulses, seconds_per_sample):
        return wiring
    return wiring_of(Medium.K_LINE)


def _put_together(
    capture: Capture, wiring: Wiring, levels: Levels, pulses: Pulses, guessed: bool
) -> CaptureFacts:
    step = capture.seconds_per_sample
    can = traffic_in(pulses, step) if wiring.medium in FRAMES_OF_CAN else None
    lin = lin_traffic(pulses, step) if wiring.medium is Medium.LIN else None
    k_line = k_line_traffic(pulses, step) if wiring.medium is Medium.K_LINE else None
    facts = CaptureFacts(
        name=capture.path.name,
        medium=wiring.medium,
        medium_guessed=guessed,
        seconds=capture.seconds,
        samples=capture.count,
        samples_per_second=1.0 / step,
        volts_known=capture.volts_known,
        notes=capture.notes,
        rows=tuple(range(capture.channels)),
        levels=levels,
        pulses=len(pulses.begins),
        not_followed=capture.count - pulses.followed,
        shapes=edge_shapes(capture, can, wiring, levels) if can and not wiring.logic else (None, None),
        can=can,
        lin=lin,
        k_line=k_line,
        senders=senders_in(capture, can, wiring) if can and not wiring.logic else (),
        doubts=(),
        looks=(),
        dominant_share=float(np.sum(pulses.ends - pulses.begins)) / max(pulses.followed, 1),
    )
    sent = Sent(pulses_seen(pulses, step), facts.samples_per_bit, facts.frame_count, facts.whole_count)
    doubts = doubts_of(levels, wiring, sent, capture.volts_known)
    coupled = any(doubt.kind is Kind.COUPLING for doubt in doubts)
    looks = () if wiring.logic or coupled else looks_of(levels, wiring, facts.shapes, facts.whole_share)
    return replace(facts, doubts=doubts, looks=looks, volts_known=capture.volts_known and not wiring.logic)


def _pulses(capture: Capture, wiring: Wiring, levels: Levels, tell: Told | None) -> Pulses:
    """Return the pulses; none where the signal has one level only."""
    if levels.signal_dominant is None:
        return Pulses(np.empty(0), np.empty(0), capture.count)
    return pulses_in(capture, wiring, levels.thresholds, telling(tell, _EDGES))


def telling(tell: Told | None, what: str) -> Tell | None:
    """Return what takes note of samples done, for one thing that is being done."""
    return None if tell is None else lambda done, whole: tell(what, done, whole)


MOST_FRAMES: Final = 10_000


def capture_data(facts: CaptureFacts) -> dict[str, Any]:
    """Return everything that was read, with the first ten thousand frames."""
    levels = facts.levels
    return {
        "file": facts.name,
        "medium": facts.medium,
        "seconds": facts.seconds,
        "samples": facts.samples,
        "samples_per_second": facts.samples_per_second,
        "volts_known": facts.volts_known,
        "traffic": facts.traffic,
        "lines": [_line(line) for line in levels.lines],
        "signal": {
            "recessive": _rounded(levels.signal_recessive),
            "dominant": _rounded(levels.signal_dominant),
            "noise": _rounded(levels.signal_noise),
            "dominant_share": round(facts.dominant_share, 4),
            "sum_recessive": _rounded(levels.sum_recessive),
            "sum_dominant": _rounded(levels.sum_dominant),
            "common_mode": _rounded(levels.common_mode),
            "drift": _rounded(levels.drift),
        },
        "edges": {
            name: _edge(shape)
            for name, shape in zip(("to_dominant", "to_recessive"), facts.shapes, strict=True)
        },
        "bit_rates": _rates(facts),
        "frames": _frames(facts),
        "senders": [_sender(one) for one in facts.senders],
        "looks": list(facts.looks),
        "doubts": [{"kind": one.kind.value, "text": one.sentence} for one in facts.doubts],
        "notes": list(facts.notes),
    }


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 4)


def _line(line: LineFacts) -> dict[str, Any]:
    return {
        "line": line.line,
        "recessive": _rounded(line.recessive),
        "dominant": _rounded(line.dominant),
        "average": _rounded(line.mean),
        "lowest": _rounded(line.lowest),
        "highest": _rounded(line.highest),
        "noise": _rounded(line.noise),
    }


def _edge(shape: EdgeShape | None) -> dict[str, Any] | None:
    if shape is None:
        return None
    return {
        "seconds": shape.seconds,
        "bits": round(shape.bits, 4),
        "overshoot": _rounded(shape.overshoot),
        "swings_back": _rounded(shape.swings_back),
        "resolved": shape.resolved,
    }


def _rates(facts: CaptureFacts) -> dict[str, Any] | None:
    other = facts.lin or facts.k_line
    if other is not None:
        return {"measured": other.measured, "standard": other.standard}
    if facts.can is None:
        return None
    rates: dict[str, Any] = {
        "measured": facts.can.rate.measured,
        "standard": facts.can.rate.standard,
        "samples_per_bit": round(facts.can.rate.samples_per_bit, 3),
    }
    if facts.can.data_rate is not None:
        rates["data"] = {
            "measured": facts.can.data_rate.measured,
            "standard": facts.can.data_rate.standard,
        }
    return rates


def _frames(facts: CaptureFacts) -> dict[str, Any]:
    told: list[dict[str, Any]] = []
    if facts.can is not None:
        step = facts.seconds / facts.samples
        told = [_can_frame(frame) for frame in facts.can.frames.frames(step, MOST_FRAMES)]
    elif facts.lin is not None:
        told = [_lin_frame(frame) for frame in facts.lin.frames[:MOST_FRAMES]]
    elif facts.k_line is not None:
        told = [_k_line_message(message) for message in facts.k_line.messages[:MOST_FRAMES]]
    return {
        "count": facts.frame_count,
        "whole": facts.whole_count,
        "whole_share": facts.whole_share,
        "cut_off_at_begin": bool(facts.can and facts.can.cut_at_begin),
        "first_faults": {FAULT_WORDS[kind]: count for kind, count in facts.fault_counts().items()},
        "listed": told,
    }


def _can_frame(frame: Frame) -> dict[str, Any]:
    return {
        "starts": round(frame.starts_seconds, 9),
        "ends": round(frame.ends_seconds, 9),
        "identifier": frame.name(),
        "extended": frame.extended,
        "remote": frame.remote,
        "flexible_data_rate": frame.flexible,
        "data": frame.data.hex().upper(),
        "whole": frame.whole,
        "fault": frame.fault_words(),
    }


def _lin_frame(frame: LinFrame) -> dict[str, Any]:
    return {
        "starts": round(frame.starts_seconds, 9),
        "ends": round(frame.ends_seconds, 9),
        "identifier": frame.identifier,
        "data": frame.data.hex().upper(),
        "checksum": frame.checksum.value,
        "bits_per_second": round(frame.baud, 1),
        "break_bits": round(frame.break_bits, 2),
        "whole": frame.whole,
        "fault": frame.fault,
    }


def _k_line_message(message: KLineMessage) -> dict[str, Any]:
    return {
        "starts": round(message.starts_seconds, 9),
        "data": message.data.hex().upper(),
        "check_sum_fits": message.sum_fits,
        "bytes_without_stop_bit": message.broken,
    }


def _sender(one: SenderFacts) -> dict[str, Any]:
    return {
        "identifier": one.name(),
        "whole": one.whole,
        "broken": one.broken,
        "high": _rounded(one.high),
        "low": _rounded(one.low),
        "between": _rounded(one.between),
        "sum": _rounded(one.both),
        "stands_out": list(one.stands_out),
    }
