"""Reads invented captures whose truth is known: `python tests/bench/captures.py [COUNT] [SEED]`.

Each has its own bit rate, sample rate (5 to 100 million a second), noise, 8-bit converter, offsets of the scope, drift
of the ground, a weak or shifted sender, and broken frames; every fifth is CAN FD. Prints what was told right, and exits
with 1 where a frame was called whole that is not.
"""

from __future__ import annotations

import sys
import tempfile
import time
import wave
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from synthetic_captures import FD_LENGTHS, Bus, Sender, Sent, volts_of

from casebase.intake.capture.facts import CaptureFacts, read_capture
from casebase.intake.capture.samples import Wanted

FULL_SCALE = 10.0


@dataclass(frozen=True)
class Made:
    """A capture as made: the bus, what was sent, who is odd, and when each frame begins."""

    bus: Bus
    frames: list[Sent]
    odd: int
    starts: list[float]
    volts: np.ndarray


@dataclass
class Tally:
    """What was told right over all captures."""

    counts: Counter[str] = field(default_factory=Counter)
    level_errors: list[float] = field(default_factory=list)
    samples: int = 0
    seconds: float = 0.0


def drawn_bus(generator: np.random.Generator) -> tuple[Bus, list[int], int]:
    """Return a bus, its identifiers, and the one whose sender is odd."""
    rate = float(generator.choice([125e3, 250e3, 500e3, 500e3, 1e6]))
    flexible = bool(generator.random() < 0.2)
    rates = [one for one in (5e6, 10e6, 20e6, 25e6, 50e6, 100e6) if one >= (20e6 if flexible else 5 * rate)]
    identifiers = [int(one) for one in generator.choice(0x7F0, int(generator.integers(6, 14)), replace=False)]
    odd = identifiers[0]
    usual = Sender(float(generator.uniform(3.35, 3.65)), float(generator.uniform(1.35, 1.65)))
    half = float(generator.uniform(0.55, 0.75))
    shift = float(generator.choice([-1, 1]) * generator.uniform(0.3, 0.45))
    weak = (
        Sender(2.5 + half, 2.5 - half)
        if generator.random() < 0.6
        else Sender(usual.high + shift, usual.low + shift)
    )
    bus = Bus(
        bit_rate=500e3 if flexible else rate,
        data_rate=float(generator.choice([2e6, 4e6])),
        samples_per_second=float(generator.choice(rates)),
        noise=float(generator.uniform(0.004, 0.05)),
        step_volts=FULL_SCALE / 256,
        fall_seconds=float(generator.uniform(20e-9, 80e-9)),
        offset_high=float(generator.uniform(-0.15, 0.15)),
        offset_low=float(generator.uniform(-0.15, 0.15)),
        ground_drift=float(generator.uniform(0.0, 0.05)),
        usual=usual,
        senders={
            one: Sender(usual.high, usual.low, float(generator.uniform(-2e-3, 2e-3))) for one in identifiers
        }
        | {odd: weak},
    )
    return bus, identifiers, odd


def made(generator: np.random.Generator) -> Made:
    """Return one capture."""
    bus, identifiers, odd = drawn_bus(generator)
    flexible = bus.samples_per_second >= 20e6 and bus.bit_rate == 500e3 and generator.random() < 0.4
    frames = []
    for place in range(int(generator.integers(40, 90))):
        fd = bool(flexible and generator.random() < 0.6)
        length = int(generator.choice(FD_LENGTHS)) if fd else int(generator.integers(0, 9))
        kind = generator.random()
        frames.append(
            Sent(
                identifiers[place % len(identifiers)],
                bytes(generator.integers(0, 256, length).tolist()),
                flexible=fd,
                acknowledged=not 0.03 < kind < 0.06,
                spoil="crc"
                if kind < 0.03
                else "stuff"
                if kind > 0.97
                else "form"
                if kind > 0.95 and not fd
                else "",
            )
        )
    volts, starts = volts_of(frames, generator.integers(0, 60, len(frames)), bus, generator)
    return Made(bus, frames, odd, starts, volts)


def written(one: Made, folder: Path, place: int) -> tuple[Path, Wanted]:
    """Write a capture as one of four kinds of file; return it and what has to be said to read it."""
    rate = one.bus.samples_per_second
    kind = ("npy", "npz", "wav", "csv")[place % 4]
    if kind == "csv" and one.volts.shape[1] > 400_000:
        kind = "npy"
    path = folder / f"capture.{kind}"
    if kind == "npy":
        np.save(path, one.volts)
        return path, Wanted(samples_per_second=rate)
    if kind == "npz":
        np.savez(path, can_high=one.volts[0], can_low=one.volts[1], sample_rate=rate)
        return path, Wanted()
    if kind == "wav":
        with wave.open(str(path), "wb") as file:
            file.setparams((2, 2, int(rate), 0, "NONE", ""))
            file.writeframes(np.round(one.volts.T / FULL_SCALE * 32768).astype("<i2").tobytes())
        return path, Wanted(volts_full_scale=FULL_SCALE)
    rows = np.column_stack([np.arange(one.volts.shape[1]) / rate, *one.volts])
    np.savetxt(path, rows, "%.9f;%.4f;%.4f", header="time (s);CAN H (V);CAN L (V)", comments="")
    return path, Wanted()


def judge(one: Made, facts: CaptureFacts, tally: Tally) -> None:
    """Count what was told right of one capture."""
    tally.counts["captures"] += 1
    tally.counts["bit rate right"] += bool(facts.can and facts.can.rate.standard == one.bus.bit_rate)
    truths = (
        (one.bus.rest + one.bus.offset_high, one.bus.usual.high + one.bus.offset_high),
        (one.bus.rest + one.bus.offset_low, one.bus.usual.low + one.bus.offset_low),
    )
    for line, (rest, driven) in zip(facts.levels.lines, truths, strict=True):
        tally.level_errors += [abs(line.recessive - rest), abs((line.dominant or np.inf) - driven)]
    named = {sender.identifier for sender in facts.senders if sender.stands_out}
    tally.counts["odd sender named"] += one.odd in named
    tally.counts["captures with a wrong name"] += bool(named - {one.odd})
    judge_frames(one, facts, tally)


def judge_frames(one: Made, facts: CaptureFacts, tally: Tally) -> None:
    """Hold every frame against the one sent at its time."""
    found = (
        {}
        if facts.can is None
        else {
            round(frame.starts_seconds * one.bus.bit_rate): frame
            for frame in facts.can.frames.frames(facts.seconds / facts.samples)
        }
    )
    for sent, start in zip(one.frames, one.starts, strict=True):
        bit = round(start * one.bus.bit_rate)
        frame = next((found[near] for near in (bit, bit + 1, bit - 1) if near in found), None)
        whole = not sent.spoil and sent.acknowledged
        right = frame is not None and frame.identifier == sent.identifier and frame.data == sent.data
        tally.counts["whole frames sent"] += whole
        tally.counts["recovered with right data"] += bool(whole and frame and frame.whole and right)
        tally.counts["broken frames sent"] += not whole
        tally.counts["called whole that are not"] += bool(frame and frame.whole and not (whole and right))
        told = {
            "crc": "CRC does not fit",
            "stuff": "stuff error",
            "form": "form error",
            "": "not acknowledged",
        }
        tally.counts["broken with the right fault"] += bool(
            not whole and frame and frame.fault_words().startswith(told[sent.spoil])
        )
    starts = {round(start * one.bus.bit_rate) + near for start in one.starts for near in (-1, 0, 1)}
    tally.counts["called whole that were never sent"] += sum(
        frame.whole and place not in starts for place, frame in found.items()
    )


def main() -> None:
    """Make, read and judge."""
    count, seed = (
        (int(text) for text in [*sys.argv[1:], "320", "1"][:2])
        if len(sys.argv) != 2
        else (int(sys.argv[1]), 1)
    )
    generator, tally = np.random.default_rng(seed), Tally()
    with tempfile.TemporaryDirectory() as folder:
        for place in range(count):
            one = made(generator)
            path, wanted = written(one, Path(folder), place)
            began = time.perf_counter()
            facts = read_capture(path, None, wanted)
            tally.seconds += time.perf_counter() - began
            tally.samples += facts.samples
            judge(one, facts, tally)
    for name, number in tally.counts.items():
        print(f"{name:<36} {number}")
    errors = np.array(tally.level_errors)
    print(
        f"levels within 50 mV                  {np.mean(errors <= 0.05):.2%}, at most {errors.max() * 1e3:.0f} mV off"
    )
    print(
        f"read                                 {tally.samples / 1e6:.0f} million samples in {tally.seconds:.0f} s"
    )
    sys.exit(
        bool(tally.counts["called whole that are not"] + tally.counts["called whole that were never sent"])
    )


if __name__ == "__main__":
    main()
