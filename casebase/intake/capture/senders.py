"""The senders apart: how far each identifier's frames drive the lines, and who stands out from the others.

Levels are taken late in each dominant pulse between arbitration and the check sequence: there one module alone drives.
A sender whose own lines are swapped drives the bus the wrong way, where no other module sees it: its frames lie below
rest as far as the others' lie above it, and nobody acknowledges them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from casebase.intake.capture.can_frames import UNKNOWN, Fault, FrameTable, identifier_words
from casebase.intake.capture.can_traffic import Traffic, traffic_in
from casebase.intake.capture.levels import Levels, Survey
from casebase.intake.capture.pulses import Wiring, pulses_in
from casebase.intake.capture.samples import BLOCK, Capture, Samples

FRAMES_EACH: Final = 40
"""So many frames of an identifier are looked at."""
_LEAST_VOLTS: Final = 0.2
"""Healthy modules on one bus differ by less (common practice, no source)."""
_SPREADS: Final = 6.0
_FEWEST: Final = 4
"""Of fewer identifiers nobody can tell which one is odd."""

Values = NDArray[np.float64]


@dataclass(frozen=True)
class SenderFacts:
    """One identifier: whole and broken frames, and the volts that its sender drives the lines to.

    `between`: CAN high less CAN low (the line's own level where there is one line); `both`: their sum.
    `stands_out`: in words, how it differs from the others; empty for most.
    """

    identifier: int
    extended: bool
    whole: int
    broken: int
    high: float
    low: float | None
    stands_out: tuple[str, ...] = ()

    @property
    def between(self) -> float:
        """Volts between the lines while it drives."""
        return self.high if self.low is None else self.high - self.low

    @property
    def both(self) -> float | None:
        """Volts of both lines added while it drives."""
        return None if self.low is None else self.high + self.low

    def name(self) -> str:
        """Return the identifier as written."""
        return identifier_words(self.identifier, self.extended)


def senders_in(capture: Capture, traffic: Traffic, wiring: Wiring) -> tuple[SenderFacts, ...]:
    """Return the facts of every identifier that had a whole frame, by identifier."""
    table = traffic.frames
    usable = np.flatnonzero(np.isin(table.faults, (Fault.NONE, Fault.NOT_ACKNOWLEDGED)))
    keys = table.identifiers * 2 + table.extended
    chosen = _some_of_each(keys, usable)
    if not len(chosen):
        return ()
    places, frame_of = _places(traffic, chosen)
    volts = _volts_at(capture, wiring, places)
    means = _means_by(frame_of, volts, len(chosen))
    return with_odd_ones(_by_identifier(table, keys, chosen, means))


def _some_of_each(keys: NDArray[np.int64], usable: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return up to so many frames of each identifier, spread over the capture, in order of time."""
    order = usable[np.argsort(keys[usable], kind="stable")]
    groups = np.split(order, np.flatnonzero(np.diff(keys[order])) + 1)
    found = [_spread(group) for group in groups if len(group)]
    return np.sort(np.concatenate(found)) if found else np.empty(0, dtype=np.intp)


def _spread(group: NDArray[np.intp]) -> NDArray[np.intp]:
    chosen: NDArray[np.intp] = group[np.linspace(0, len(group) - 1, min(len(group), FRAMES_EACH)).astype(int)]
    return chosen


def _places(traffic: Traffic, chosen: NDArray[np.intp]) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Return the samples to look at, and to which of the chosen frames each belongs."""
    table, pulses, bit = traffic.frames, traffic.pulses, traffic.rate.samples_per_bit
    firsts = table.first_pulses[chosen]
    following = np.append(table.first_pulses, len(pulses.begins))[chosen + 1]
    counts = following - firsts
    frame_of = np.repeat(np.arange(len(chosen)), counts)
    pulse = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts) + firsts[frame_of]
    starts = table.starts[chosen][frame_of]
    header = starts + (table.header_bits[chosen][frame_of] + 0.5) * bit
    checked = starts + (table.checked_bits[chosen][frame_of] - 0.5) * bit
    fast = table.flexible[chosen][frame_of]
    last = np.where(fast, table.ends[chosen][frame_of] - 9.5 * bit, checked)
    inside = (pulses.begins[pulse] > header) & (pulses.ends[pulse] < last + 0.6 * bit * ~fast)
    lengths = pulses.ends[pulse] - pulses.begins[pulse]
    late = pulses.ends[pulse] - 0.35 * np.minimum(bit, lengths)
    return np.floor(late[inside]).astype(np.int64), frame_of[inside]


def _volts_at(capture: Capture, wiring: Wiring, places: NDArray[np.int64]) -> Samples:
    """Return the volts of each line at some samples in order of time, each averaged with the one before it."""
    found = np.empty((len(wiring.lines), len(places)), dtype=np.float32)
    blocks = places // BLOCK
    cuts = np.flatnonzero(np.diff(blocks)) + 1
    begin = 0
    for end in (*cuts.tolist(), len(places)):
        if end > begin:
            start = max(int(places[begin]) - 1, 0)
            rows = wiring.ordered(capture.read(start, min(int(places[end - 1]) + 1, capture.count)))
            at = places[begin:end] - start
            found[:, begin:end] = (rows[:, at] + rows[:, np.maximum(at - 1, 0)]) / 2
        begin = end
    return found


def _means_by(frame_of: NDArray[np.intp], volts: Samples, frames: int) -> Values:
    """Return the mean volts of each line (rows) in each frame (columns); NaN where no pulse could be used."""
    counts = np.bincount(frame_of, minlength=frames)
    sums = np.stack([np.bincount(frame_of, weights=row, minlength=frames) for row in volts])
    with np.errstate(invalid="ignore"):
        means: Values = np.where(counts > 0, sums / counts, np.nan)
    return means


def _by_identifier(
    table: FrameTable, keys: NDArray[np.int64], chosen: NDArray[np.intp], means: Values
) -> list[SenderFacts]:
    of_chosen = keys[chosen]
    seen = np.isfinite(means).all(axis=0) & (table.identifiers[chosen] != UNKNOWN)
    return [
        _sender(int(key), np.median(means[:, seen & (of_chosen == key)], axis=1), table.whole[keys == key])
        for key in np.unique(of_chosen[seen])
    ]


def _sender(key: int, levels: Values, whole: NDArray[np.bool_]) -> SenderFacts:
    good = int(np.count_nonzero(whole))
    low = float(levels[1]) if len(levels) > 1 else None
    return SenderFacts(key // 2, bool(key % 2), good, len(whole) - good, float(levels[0]), low)


def with_odd_ones(senders: list[SenderFacts]) -> tuple[SenderFacts, ...]:
    """Return the senders, with words for those that lie far from the median of all by the median deviation."""
    if len(senders) < _FEWEST:
        return tuple(senders)
    between = np.array([sender.between for sender in senders])
    both = np.array([sender.both or 0.0 for sender in senders])
    usual, usual_both = float(np.median(between)), float(np.median(both))
    odd, odd_both = _far(between), _far(both / 2)
    return tuple(
        replace(sender, stands_out=_words(sender, usual, usual_both, bool(odd[place]), bool(odd_both[place])))
        for place, sender in enumerate(senders)
    )


def _far(values: Values) -> NDArray[np.bool_]:
    """Return which values lie further from the median than the others' spread explains."""
    off = np.abs(values - np.median(values))
    spread = 1.4826 * float(
        np.median(off)
    )  # the standard deviation of a normal distribution from its median deviation
    far: NDArray[np.bool_] = off > max(_LEAST_VOLTS, _SPREADS * spread)
    return far


def _words(
    sender: SenderFacts, usual: float, usual_both: float, odd: bool, odd_both: bool
) -> tuple[str, ...]:
    words = []
    if odd:
        kind = "weak driver" if sender.between < usual else "drives too far"
        words.append(f"{kind}: {sender.between:.2f} V between the lines, the others {usual:.2f} V")
    if odd_both and sender.both is not None:
        shift = (sender.both - usual_both) / 2
        if odd:
            words.append(
                f"not symmetric: its lines add up to {sender.both:.2f} V, the others' to {usual_both:.2f} V"
            )
        else:
            way = "above" if shift > 0 else "below"
            words.append(f"ground offset: both its lines lie {abs(shift):.2f} V {way} the others'")
    return tuple(words)


_FEWEST_SAMPLES: Final = 12
_WORDS: Final = "its lines are swapped: {first} goes down and {second} up when it drives, against all others"


def reversed_senders(
    capture: Capture, seen: Survey, wiring: Wiring, levels: Levels, traffic: Traffic
) -> tuple[SenderFacts, ...]:
    """Return the senders that drive a pair the wrong way; none on a single line."""
    if len(wiring.lines) < 2:
        return ()
    below = levels.signal_recessive - 0.5 * levels.amplitude
    if np.count_nonzero(wiring.signal(seen.rows) < below) < _FEWEST_SAMPLES:
        return ()
    turned = replace(wiring, swapped=not wiring.swapped)
    swing = min(levels.amplitude, 2.0) if levels.amplitude < 5.0 else levels.amplitude
    thresholds = (0.25 * swing - levels.signal_recessive, 0.45 * swing - levels.signal_recessive)
    found = traffic_in(pulses_in(capture, turned, thresholds), capture.seconds_per_sample)
    if found is None or abs(found.rate.measured / traffic.rate.measured - 1.0) > 0.02:
        return ()
    words = _WORDS.format(first=wiring.lines[0], second=wiring.lines[1])
    return tuple(replace(one, stands_out=(words,)) for one in senders_in(capture, found, wiring))
