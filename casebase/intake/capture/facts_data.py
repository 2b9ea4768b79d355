"""What a capture tells as plain data, for JSON: volts, seconds, bits per second."""

from __future__ import annotations

from typing import Any, Final

from casebase.intake.capture.edge_shape import EdgeShape
from casebase.intake.capture.facts import CaptureFacts
from casebase.intake.capture.frame_table import FAULT_WORDS, Frame
from casebase.intake.capture.levels import LineFacts
from casebase.intake.capture.lin_frames import LinFrame
from casebase.intake.capture.senders import SenderFacts

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
    if facts.lin is not None:
        return {"measured": facts.lin.measured, "standard": facts.lin.standard}
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
