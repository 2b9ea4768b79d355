"""How fast captures are read: `python tests/bench/capture_speed.py [MILLION SAMPLES]`.

Prints samples and frames a second of processor time beside sigrok-cli's `can` decoder on the same samples in the same
run (fields only: it checks neither CRC nor stuffing), the rate of a text file, and memory for a long capture.
sigrok-cli (Debian) is called as a program.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from synthetic_captures import Bus, Sent, volts_of

from casebase.intake.capture.can_traffic import traffic_in
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.levels import levels_in, survey
from casebase.intake.capture.open_capture import open_capture
from casebase.intake.capture.pulses import pulses_in, wiring_of
from casebase.intake.capture.samples import Wanted
from casebase.record.vocabulary import Medium

RATE = 500e3
HEAD = f"{'':<44}{'samples a second':>18}{'frames a second':>18}"


def busy_bus(samples_per_second: float, frames: int) -> np.ndarray:
    """Return both lines of a bus about two thirds full, eight bytes a frame."""
    generator = np.random.default_rng(7)
    sent = [
        Sent(int(generator.integers(0, 0x7F0)), bytes(generator.integers(0, 256, 8).tolist()))
        for _ in range(frames)
    ]
    volts, _ = volts_of(
        sent, generator.integers(0, 120, frames), Bus(samples_per_second=samples_per_second), generator
    )
    return volts


def processor_seconds() -> float:
    """Return processor time of this process and of those it has waited for: others on the machine do not count."""
    spent = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in spent)


def row(name: str, samples: int, frames: int, seconds: float) -> float:
    """Print one line of the table; return samples a second."""
    print(f"{name:<44}{samples / seconds:>18,.0f}{frames / seconds:>18,.0f}")
    return samples / seconds


def beside_sigrok(folder: Path, samples_per_second: float) -> None:
    """Decode the same samples both ways."""
    volts = busy_bus(samples_per_second, 3000)
    path, logic = folder / "pair.npy", folder / "pair.bin"
    np.save(path, volts)
    (volts[0] - volts[1] < 0.9).astype(np.uint8).tofile(logic)
    print(f"\n{samples_per_second / 1e6:g} million samples a second, {volts.shape[1]:,} samples\n{HEAD}")
    began = processor_seconds()
    done = subprocess.run(
        [
            *(
                "sigrok-cli",
                "-i",
                str(logic),
                "-I",
                f"binary:numchannels=1:samplerate={samples_per_second:.0f}",
            ),
            *("-P", f"can:can_rx=0:nominal_bitrate={RATE:.0f}", "-A", "can=full-id:data:id"),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    frames = done.stdout.count("Identifier")
    theirs = row("sigrok-cli, start included", volts.shape[1], frames, processor_seconds() - began)
    with open_capture(path, Wanted(samples_per_second=samples_per_second)) as capture:
        wiring = wiring_of(Medium.HIGH_SPEED_CAN)
        levels = levels_in(survey(capture), wiring)
        began = processor_seconds()
        pulses = pulses_in(capture, wiring, levels.thresholds)
        traffic = traffic_in(pulses, capture.seconds_per_sample)
        ours = row(
            "edges, bit rate and frames, CRC checked", capture.count, 3000, processor_seconds() - began
        )
        print(f"whole frames of 3000: {int(traffic.frames.whole.sum()) if traffic else 0}")
    np.save(folder / "columns.npy", np.ascontiguousarray(volts.T))
    for name, file in (
        ("an array of rows (2 x N)", path),
        ("an array of columns (N x 2)", folder / "columns.npy"),
    ):
        began = processor_seconds()
        with open_capture(file, Wanted(samples_per_second=samples_per_second)) as capture:
            levels = levels_in(survey(capture), wiring)
            traffic_in(pulses_in(capture, wiring, levels.thresholds), capture.seconds_per_sample)
        both = row(f"{name}, reading and decoding", capture.count, 3000, processor_seconds() - began)
        print(f"times sigrok-cli: {both / theirs:.0f}")
    began = processor_seconds()
    facts = read_capture(path, None, Wanted(samples_per_second=samples_per_second))
    every = row(
        "everything: levels, edges, senders too",
        facts.samples,
        facts.frame_count,
        processor_seconds() - began,
    )
    print(f"times sigrok-cli: decoding {ours / theirs:.0f}, everything {every / theirs:.0f}")


def text_file(folder: Path) -> None:
    """Read a text file of time and two columns."""
    volts = busy_bus(10e6, 1500)
    path = folder / "pair.csv"
    rows = np.column_stack([np.arange(volts.shape[1]) / 10e6, *volts])
    np.savetxt(path, rows, "%.7e,%.4f,%.4f", header="Time,CAN H,CAN L")
    print(f"\ntext, {path.stat().st_size / volts.shape[1]:.0f} bytes a line\n{HEAD}")
    began = processor_seconds()
    facts = read_capture(path)
    row("a text file, everything", facts.samples, facts.frame_count, processor_seconds() - began)


def long_capture(folder: Path, millions: int) -> None:
    """Read a capture of many samples in a process of its own, and print the most memory it held."""
    part = busy_bus(20e6, 300)
    times = -(-millions * 1_000_000 // part.shape[1])
    path = folder / "long.npy"
    whole = np.lib.format.open_memmap(path, "w+", np.float32, (times * part.shape[1], 2))
    for place in range(times):
        whole[place * part.shape[1] : (place + 1) * part.shape[1]] = part.T
    del whole
    began = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, "--read", str(path)], capture_output=True, text=True, check=True
    )
    seconds = time.perf_counter() - began
    size = f"{times * part.shape[1]:,} samples, {path.stat().st_size / 1e6:.0f} MB"
    print(f"\n{size}, in {seconds:.1f} s: {done.stdout.strip()}")


def read_only(path: Path) -> None:
    """Read a capture, and print frames and memory."""
    facts = read_capture(path, None, Wanted(samples_per_second=20e6))
    status = Path("/proc/self/status").read_text(encoding="ascii")
    most = int(status.partition("VmHWM:")[2].split()[0]) / 1024
    print(f"{facts.frame_count} frames, {facts.whole_count} whole; at most {most:.0f} MB of memory")


def main() -> None:
    """Measure."""
    if sys.argv[1:2] == ["--read"]:
        return read_only(Path(sys.argv[2]))
    with tempfile.TemporaryDirectory() as folder:
        for rate in (10e6, 20e6, 50e6):
            beside_sigrok(Path(folder), rate)
        text_file(Path(folder))
        long_capture(Path(folder), int(sys.argv[1]) if len(sys.argv) > 1 else 100)
    return None


if __name__ == "__main__":
    main()
