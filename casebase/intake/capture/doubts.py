"""What of a capture is in doubt: a probe, the scale, the sampling. Each is said, and nothing is read out of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from casebase.intake.capture.levels import Levels, LineFacts
from casebase.intake.capture.pulses import LEVELS_OF_HIGH_SPEED, Pulses, Wiring
from casebase.record.vocabulary import Medium

SLOW_SAMPLES_PER_BIT: Final = 4.0
"""Fewer samples of a bit leave its edges and levels to chance (common practice, no source)."""

_FEWEST_PULSES: Final = 4
_TENTH: Final = (0.19, 0.32)
"""Volts at which both lines of high-speed CAN rest, 2.0 to 3.0 V (TI TCAN1042HGV, 7.7), when divided by ten."""
_FLAT_SHARE: Final = 0.15
_ABOUT_ZERO: Final = 0.15
_LEAST_COUPLED_VOLTS: Final = 0.4
"""Mean of every line so small beside its swing, and a swing so large, tell AC coupling (chosen)."""
_TOGETHER_VOLTS: Final = 1.0
"""More than disturbances usually move both lines of a working bus (chosen)."""
_NANOSECONDS_OF_FLEXRAY: Final = 100
"""A bit at FlexRay's usual 10 Mbit/s (ISO 17458-4, from memory)."""


class Kind(Enum):
    """What is in doubt."""

    VOLTS_UNKNOWN = "volts unknown"
    SWAPPED = "lines swapped"
    ONE_LINE_MISSING = "one line missing"
    SCALE = "scale"
    TOO_SLOW = "sampled too slowly"
    NO_BIT_RATE = "no bit rate"
    OTHER_MEDIUM = "another medium"
    SINGLE_LINE = "one line alone"
    LOGIC = "logic levels"
    COUPLING = "levels about zero"
    NO_WHOLE_FRAME = "no whole frame"
    TOGETHER = "lines move together"


@dataclass(frozen=True)
class Doubt:
    """One doubt, in a sentence; `factor` is what the levels would have to be multiplied by, 1 elsewhere."""

    kind: Kind
    sentence: str
    factor: float = 1.0


@dataclass(frozen=True)
class PulsesSeen:
    """How many pulses there are, and the shortest of them (a tenth are shorter) in samples and in seconds."""

    count: int
    shortest_samples: float
    shortest_seconds: float


@dataclass(frozen=True)
class Sent:
    """What was made of the pulses: samples of a bit (None where no bit rate fits), frames, and whole ones."""

    pulses: PulsesSeen
    samples_per_bit: float | None
    frames: int
    whole: int


def pulses_seen(pulses: Pulses, seconds_per_sample: float) -> PulsesSeen:
    """Return what the pulses say about the sampling."""
    lengths = pulses.ends - pulses.begins
    shortest = float(np.quantile(lengths, 0.1)) if len(lengths) else 0.0
    return PulsesSeen(len(lengths), shortest, shortest * seconds_per_sample)


def doubts_of(levels: Levels, wiring: Wiring, sent: Sent, volts_known: bool) -> tuple[Doubt, ...]:
    """Return every doubt, the gravest first."""
    if wiring.logic:
        return (_logic(), *_of_frames(wiring, sent))
    found = [] if volts_known else [_volts_unknown()]
    if volts_known:
        found += _coupling(levels, wiring) or _scale(levels, wiring)
    told = {doubt.kind for doubt in found}
    found += _lines(levels, wiring) if not told & {Kind.SCALE, Kind.COUPLING} else []
    if wiring.swapped:
        found.append(_swapped(wiring))
    return (*found, *_of_frames(wiring, sent))


def is_swapped(levels: Levels, wiring: Wiring) -> bool:
    """Whether the rows stand the other way round: the lines come together where a module should drive them apart."""
    if levels.signal_dominant is None or len(wiring.lines) < 2:
        return False
    if wiring.medium is Medium.FLEXRAY:  # driven to either side, as often as the data will have it
        return False
    mostly_driven = levels.dominant_share > 0.5
    if wiring.medium in LEVELS_OF_HIGH_SPEED:
        together = abs(levels.signal_dominant) < 0.4 * abs(levels.signal_recessive)
        flat = flat_line(levels)
        return (together and levels.signal_recessive < 0 and flat is None) or (
            mostly_driven and flat is not None and levels.dominant_share > 0.55
        )
    return mostly_driven and levels.signal_recessive < 0 < levels.signal_dominant


def flat_line(levels: Levels) -> LineFacts | None:
    """Return the line that stays where it is while the other one moves; None where both do, or neither."""
    if len(levels.lines) < 2 or levels.amplitude == 0.0:
        return None
    still, moving = sorted(levels.lines, key=lambda line: abs(line.swing))
    return still if abs(still.swing) < _FLAT_SHARE * abs(moving.swing) else None


def _volts_unknown() -> Doubt:
    return Doubt(
        Kind.VOLTS_UNKNOWN,
        "The file holds whole numbers and does not tell how many volts they are: say what its full scale is with"
        " --full-scale. Bit rate and frames are told from their relation alone.",
    )


def _logic() -> Doubt:
    return Doubt(
        Kind.LOGIC,
        "The channel holds logic levels (of a logic analyser, or of a transceiver's receive or transmit pin):"
        " frames are told from it, and no volts of the bus.",
    )


def _coupling(levels: Levels, wiring: Wiring) -> list[Doubt]:
    """Tell lines that swing about 0 V, where this bus rests at 2.5 V: the direct part is not in the capture."""
    if wiring.medium not in LEVELS_OF_HIGH_SPEED or levels.amplitude == 0.0:
        return []
    about_zero = all(
        abs(line.mean) < _ABOUT_ZERO * abs(line.swing) and abs(line.swing) > _LEAST_COUPLED_VOLTS
        for line in levels.lines
    )
    if not about_zero:
        return []
    return [
        Doubt(
            Kind.COUPLING,
            "The lines swing about 0 V, where this bus rests at 2.5 V: captured with AC coupling, or against something"
            " other than ground. Bit rate and frames hold, levels do not; capture again with DC coupling, to ground.",
        )
    ]


def _swapped(wiring: Wiring) -> Doubt:
    first, second = wiring.lines
    return Doubt(
        Kind.SWAPPED,
        f"{first} and {second} are swapped, at the probes or in the columns of the file: what stands first goes down"
        " when a module drives. They are read the other way round here.",
    )


def _scale(levels: Levels, wiring: Wiring) -> list[Doubt]:
    """Tell levels that fit a healthy bus only when multiplied or divided by ten."""
    if wiring.medium not in LEVELS_OF_HIGH_SPEED:
        return []
    rests = [line.recessive for line in levels.lines]
    driven = levels.signal_dominant is not None
    if len(rests) < 2:
        return []
    for factor in (10.0, 0.1):
        fits = [_TENTH[0] * 10 <= rest * factor <= _TENTH[1] * 10 for rest in rests]
        swing = levels.amplitude * factor
        if all(fits) and (not driven or 0.8 < swing < 5.0):
            return [_scale_doubt(f"Both lines rest at {rests[0]:.2f} V", factor, driven, True)]
        for line, fit in zip(levels.lines, fits, strict=True):
            other = next(one for one in levels.lines if one is not line)
            if fit and 1.9 < other.recessive < 3.2 and driven and _ratio_fits(line, other, factor):
                start = (
                    f"{line.line} rests at {line.recessive:.2f} V and {other.line} at {other.recessive:.2f} V"
                )
                return [_scale_doubt(start, factor, driven, False)]
    return []


def _ratio_fits(line: LineFacts, other: LineFacts, factor: float) -> bool:
    """Whether a line moves as far as the other once it is multiplied."""
    return 0.5 < abs(line.swing * factor) / max(abs(other.swing), 1e-6) < 2.0


def _scale_doubt(start: str, factor: float, driven: bool, both: bool) -> Doubt:
    tenth = "a tenth" if factor > 1 else "ten times"
    sure = "" if driven else ", or the bus is not awake"
    way = f"read again with --scale {factor:g}" if both else "set this one probe right and capture again"
    return Doubt(
        Kind.SCALE,
        f"{start}: {tenth} of what this bus shows, so the probe's attenuation is set wrongly{sure}. Levels are shown as"
        f" recorded; {way}.",
        factor if both else 1.0,
    )


def _lines(levels: Levels, wiring: Wiring) -> list[Doubt]:
    if len(levels.lines) == 1 and wiring.medium in LEVELS_OF_HIGH_SPEED:
        return [_single_line(levels.lines[0])]
    flat = flat_line(levels)
    if flat is None or wiring.medium is Medium.FLEXRAY:
        return _other_medium(levels, wiring)
    moving = next(line for line in levels.lines if line is not flat)
    return [
        Doubt(
            Kind.ONE_LINE_MISSING,
            f"{flat.line} stays at {flat.recessive:.2f} V while {moving.line} moves by {abs(moving.swing):.2f} V:"
            " its probe is off, or the line is open or shorted here. Bit rate and frames are told from the other line.",
        )
    ]


def _other_medium(levels: Levels, wiring: Wiring) -> list[Doubt]:
    apart = [line.recessive for line in levels.lines]
    tolerant = len(apart) == 2 and max(apart) > 4.2 and min(apart) < 0.6
    if (
        len(apart) == 2
        and levels.amplitude == 0.0
        and min(_moves(line) for line in levels.lines) > _TOGETHER_VOLTS
    ):
        return [_together(levels)]
    if wiring.medium in LEVELS_OF_HIGH_SPEED and tolerant and levels.amplitude > 4.0:
        return [
            Doubt(
                Kind.OTHER_MEDIUM,
                f"The lines rest at {apart[0]:.2f} V and {apart[1]:.2f} V: that is {Medium.FAULT_TOLERANT_CAN};"
                " say so with --medium.",
            )
        ]
    return []


def _moves(line: LineFacts) -> float:
    return line.highest - line.lowest


def _together(levels: Levels) -> Doubt:
    least = min(_moves(line) for line in levels.lines)
    return Doubt(
        Kind.TOGETHER,
        f"Both lines move by {least:.1f} V and more, and never apart from one another: no module drives this pair. One"
        " signal at both probes, a disturbance on both lines, or another kind of bus (see --medium).",
    )


def _single_line(line: LineFacts) -> Doubt:
    return Doubt(
        Kind.SINGLE_LINE,
        f"One line alone, {line.line} by its levels: frames are told from it, and nothing of the other line. Where the"
        " scope wrote a file for each channel, name both: CAN high first.",
    )


def _of_frames(wiring: Wiring, sent: Sent) -> list[Doubt]:
    """Tell what hinders telling frames: the sampling, no bit rate, or none of them whole."""
    pulses, per_bit = sent.pulses, sent.samples_per_bit
    if wiring.medium is Medium.FLEXRAY or pulses.count < _FEWEST_PULSES:
        return []
    if per_bit is not None and per_bit < SLOW_SAMPLES_PER_BIT:
        return [_too_slow(f"A bit has {per_bit:.1f} samples")]
    if per_bit is None and pulses.shortest_samples < SLOW_SAMPLES_PER_BIT and pulses.count > 20:
        return [_too_slow(f"Pulses as short as {pulses.shortest_samples:.1f} samples")]
    perhaps = _perhaps(pulses)
    if per_bit is None:
        return [
            Doubt(
                Kind.NO_BIT_RATE,
                f"{pulses.count} pulses, and no bit rate of {wiring.medium} that fits them: no frames are told."
                f" {perhaps}",
            )
        ]
    if not sent.whole and sent.frames:
        return [
            Doubt(
                Kind.NO_WHOLE_FRAME,
                f"Not one whole frame of {wiring.medium} in {pulses.count} pulses: every frame broken, or no such bus."
                f" {perhaps}",
            )
        ]
    return []


def _perhaps(pulses: PulsesSeen) -> str:
    if abs(pulses.shortest_seconds * 1e9 / _NANOSECONDS_OF_FLEXRAY - 1.0) < 0.15:
        return "Its shortest pulses last 100 ns, a bit of FlexRay: say so with --medium."
    return "Noise, another kind of bus (see --medium), or two lines that do not belong together."


def _too_slow(start: str) -> Doubt:
    return Doubt(
        Kind.TOO_SLOW,
        f"{start}: sampled too slowly to tell levels, edges and broken frames. Capture again with ten samples a bit or"
        " more: 5 million a second for 500 kbit/s.",
    )
