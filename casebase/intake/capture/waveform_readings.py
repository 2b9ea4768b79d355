"""From a capture to the readings of a record: what the scope showed, and what a meter would."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from casebase.errors import CaptureError
from casebase.intake.capture.can_frames import FAULT_WORDS, Fault
from casebase.intake.capture.doubts import Kind
from casebase.intake.capture.facts import CaptureFacts
from casebase.record.quantities import VOLTAGE
from casebase.record.reading import Reading
from casebase.record.vocabulary import Ignition, Line, Medium, Quantity, Stage, YesNo

_MOST_NAMED: Final = 5
_REFUSED: Final = (Kind.VOLTS_UNKNOWN, Kind.SCALE, Kind.OTHER_MEDIUM, Kind.LOGIC, Kind.COUPLING)
"""What leaves no level that could be written down."""

_FRAMES_IN_DOUBT: Final = (Kind.TOO_SLOW, Kind.NO_BIT_RATE, Kind.NO_WHOLE_FRAME)


@dataclass(frozen=True)
class Where:
    """Where and in which state a capture was taken, as the reading of a record says it."""

    at: str = "DLC"
    stage: Stage = Stage.AS_FOUND
    ignition: Ignition | None = None
    network: str | None = None
    unplugged: tuple[str, ...] | None = None


def readings_from(facts: CaptureFacts, where: Where) -> list[Reading]:
    """Return a waveform reading, and for each line the voltage that a meter would show.

    Raise `CaptureError` where the levels are in doubt: a wrong level is worse than none.
    """
    for kind in _REFUSED:
        doubt = facts.doubt(kind)
        if doubt is not None:
            raise CaptureError(f"{facts.name}: nothing was added to the record. {doubt.sentence}")
    _check_volts(facts)
    return [
        _waveform(facts, where),
        *(_average(facts, where, line.line, line.mean) for line in facts.levels.lines),
    ]


def _waveform(facts: CaptureFacts, where: Where) -> Reading:
    lines = facts.levels.lines
    seen: dict[str, Any] = {
        "traffic": YesNo.YES if facts.traffic else YesNo.NO,
        "recessive": {line.line: _volts(line.recessive) for line in lines},
        "dominant": {line.line: _volts(line.dominant) for line in lines if line.dominant is not None},
        "looks": list(facts.looks),
        "note": note_of(facts),
        **_shares(facts),
    }
    return Reading.model_validate({**_state(where), "quantity": Quantity.WAVEFORM, "waveform": seen})


def _shares(facts: CaptureFacts) -> dict[str, float]:
    """Return how long the lines were driven and how many frames were whole, where the capture can tell.

    Without traffic a line at rest is not told from one that is stuck; FlexRay's lines are driven both ways; and frames
    sampled too slowly are broken by the sampling.
    """
    found = {}
    if facts.traffic and facts.medium is not Medium.FLEXRAY:
        found["dominant_share"] = round(facts.dominant_share, 4)
    whole = facts.whole_share
    if whole is not None and not any(facts.doubt(kind) for kind in _FRAMES_IN_DOUBT):
        # Nearly all is not all: one broken frame in a hundred thousand is not rounded away.
        found["whole_frames"] = whole if whole == 1.0 else min(round(whole, 4), 0.9999)
    return found


def _average(facts: CaptureFacts, where: Where, line: Line, mean: float) -> Reading:
    return Reading.model_validate(
        {
            **_state(where),
            "quantity": Quantity.VOLTAGE,
            "line": line,
            "against": Line.GROUND,
            "value": _volts(mean),
            "note": f"average of the capture {facts.name}",
        }
    )


def _state(where: Where) -> dict[str, Any]:
    unplugged = None if where.unplugged is None else list(where.unplugged)
    return {
        "network": where.network,
        "at": where.at,
        "stage": where.stage,
        "ignition": where.ignition,
        "unplugged": unplugged,
    }


def note_of(facts: CaptureFacts) -> str:
    """Return in a few sentences what the fields of a waveform have no place for."""
    parts = [f"From the capture {facts.name}.", _frames(facts), _faults(facts)]
    named = [f"{one.name()}: {'; '.join(one.stands_out)}." for one in facts.senders if one.stands_out]
    parts += named[:_MOST_NAMED]
    if len(named) > _MOST_NAMED:
        parts.append(f"{len(named) - _MOST_NAMED} more identifiers stand out.")
    parts += [doubt.sentence for doubt in facts.doubts]
    return " ".join(part for part in parts if part)


def _frames(facts: CaptureFacts) -> str:
    rate = facts.can.rate.per_second if facts.can else facts.lin.measured if facts.lin else None
    if rate is None or not facts.frame_count:
        return ""
    return f"{facts.whole_count} of {facts.frame_count} frames whole at {rate / 1e3:.4g} kbit/s."


def _faults(facts: CaptureFacts) -> str:
    counts = {kind: count for kind, count in facts.fault_counts().items() if kind is not Fault.NONE}
    return (
        f"{', '.join(f'{FAULT_WORDS[kind]}: {count}' for kind, count in counts.items())}." if counts else ""
    )


def _check_volts(facts: CaptureFacts) -> None:
    for line in facts.levels.lines:
        for volts in (line.recessive, line.dominant, line.mean):
            if volts is not None and not VOLTAGE.low <= volts <= VOLTAGE.high:
                raise CaptureError(
                    f"{facts.name}: {line.line} at {volts:.1f} V: expected {VOLTAGE.low:g} to {VOLTAGE.high:g} V on a"
                    " bus; see --scale and --full-scale"
                )


def _volts(volts: float) -> str:
    return f"{volts + 0.0:.2f} V".replace("-0.00", "0.00")
