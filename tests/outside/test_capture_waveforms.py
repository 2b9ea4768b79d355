"""Captures of buses that ngspice solved in time: levels, frames and faults whose truth is the circuit.

Statistics of the levels by SciPy on the same samples.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from casebase.intake.capture.doubts import Kind
from casebase.intake.capture.facts import read_capture
from casebase.intake.capture.samples import Wanted
from casebase.record.vocabulary import Look

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from needed_programs import needs
from ngspice_waveform import SpicePair, waveform
from synthetic_captures import Sent, classical

pytestmark = [needs("ngspice"), pytest.mark.slow]

BIT = 2e-6
RATE = 20e6
FRAMES = [Sent(0x0F1 + 0x10 * place, bytes([17 * place, 3, 250])) for place in range(4)]


def traffic():
    """Return the bits of four frames, sent by two modules in turn, each acknowledged by the other."""
    bits, senders = [1] * 14, [0] * 14
    for place, frame in enumerate(FRAMES):
        body = classical(frame)
        bits += [*body, 1, 0, 1, *[1] * 7, *[1] * 8]
        senders += [place % 2] * (len(body) + 1) + [1 - place % 2] + [place % 2] * 16
    return bits, senders


def captured(folder, pair):
    """Solve the pair, add the scope's noise and steps, and read the capture; return facts and ideal volts."""
    bits, senders = traffic()
    ideal = waveform(pair, bits, senders, BIT, RATE)
    noisy = ideal + np.random.default_rng(21).normal(0, 0.012, ideal.shape)
    path = folder / "pair.npy"
    np.save(path, (np.round(noisy / 0.02) * 0.02).astype(np.float32))
    return read_capture(path, None, Wanted(samples_per_second=RATE)), ideal


def settled(ideal, driven):
    """Return the level of each line as the circuit settles: the median of the samples far from any edge."""
    between = ideal[0] - ideal[1]
    split = (between.max() + between.min()) / 2
    at = between > split if driven else between < split
    calm = np.convolve(at, np.ones(21), mode="same") >= 20.5
    return [float(np.median(row[calm])) for row in ideal]


@pytest.mark.parametrize(
    ("name", "pair"),
    [
        ("healthy", SpicePair()),
        ("one terminator missing", SpicePair(terminators=(120.0, 1e6))),
        ("an extra terminator", SpicePair(extra=("Rx h1 l1 120",))),
        ("low to ground over 300 ohm", SpicePair(extra=("Rf l1 0 300",))),
        ("high to ground over 300 ohm", SpicePair(extra=("Rf h1 0 300",))),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_levels_and_frames_are_those_of_the_circuit(tmp_path, name, pair):
    """Levels within 50 mV of what the circuit settles at, every frame whole, whatever the fault leaves of them."""
    facts, ideal = captured(tmp_path, pair)
    rest, driven = settled(ideal, False), settled(ideal, True)
    for place, line in enumerate(facts.levels.lines):
        assert line.recessive == pytest.approx(rest[place], abs=0.05)
        assert line.dominant == pytest.approx(driven[place], abs=0.05)
        assert line.mean == pytest.approx(float(ideal[place].mean()), abs=0.01)
    assert facts.can.rate.standard == 500e3
    assert [frame.identifier for frame in facts.can.frames.frames(1 / RATE)] == [
        one.identifier for one in FRAMES
    ]
    assert facts.whole_share == 1.0


def test_a_bus_without_terminators_is_too_tall_with_slow_edges(tmp_path):
    """Nothing pulls the lines together: they go further apart, and come back slowly."""
    facts, _ = captured(tmp_path, SpicePair(terminators=(1e6, 1.5e3)))
    assert Look.TOO_TALL in facts.looks
    assert Look.SLOW_EDGES in facts.looks


def test_a_line_shorted_to_ground_lies_flat(tmp_path):
    """CAN low to ground over half an ohm: it stays near 0 V, and the doubt says so."""
    facts, _ = captured(tmp_path, SpicePair(extra=("Rf l1 0 0.5",)))
    assert Look.ONE_LINE_FLAT in facts.looks
    assert facts.doubt(Kind.ONE_LINE_MISSING) is not None
    assert facts.levels.lines[1].recessive == pytest.approx(0.0, abs=0.1)


def test_lines_shorted_together_have_no_traffic_to_tell(tmp_path):
    """One ohm between the lines leaves a few hundredths of a volt: no level is called dominant."""
    facts, _ = captured(tmp_path, SpicePair(extra=("Rf h1 l1 1",)))
    assert facts.whole_count == 0
    assert facts.levels.lines[0].recessive == pytest.approx(2.5, abs=0.1)


def test_a_weak_driver_is_the_one_with_more_ohms(tmp_path):
    """The module at the far end drives through three times the resistance: its two identifiers lie lower."""
    facts, _ = captured(tmp_path, SpicePair(driver_ohms=(21.0, 60.0)))
    between = {one.identifier: one.between for one in facts.senders}
    strong, weak = ([between[one.identifier] for one in FRAMES[start::2]] for start in (0, 1))
    assert min(strong) - max(weak) > 0.4
    assert {one.identifier for one in facts.senders if one.stands_out} <= {
        one.identifier for one in FRAMES[1::2]
    }


def test_edges_take_as_long_as_on_the_ideal_samples(tmp_path):
    """Time from nine tenths to a tenth of the edges to recessive, on straight lines between the samples."""
    facts, ideal = captured(tmp_path, SpicePair(picofarads_per_section=600.0))
    between = (ideal[0] - ideal[1]).astype(float)
    high = float(np.median(between[between > between.max() / 2]))
    begins, ends = crossings(between, 0.9 * high), crossings(between, 0.1 * high)
    took = [(ends[ends > begin][0] - begin) / RATE for begin in begins]
    assert facts.shapes[1].seconds == pytest.approx(float(np.median(took)), rel=0.2)


def crossings(values, level):
    """Return where values fall through a level, in samples with fractions."""
    at = np.flatnonzero((values[:-1] >= level) & (values[1:] < level))
    return at + (values[at] - level) / (values[at] - values[at + 1])


def test_noise_is_the_standard_deviation_that_scipy_finds(tmp_path):
    """Noise of the difference at rest, by the interquartile range (scipy.stats) of the same samples."""
    bits, senders = traffic()
    ideal = waveform(SpicePair(), bits, senders, BIT, RATE)
    noisy = (ideal + np.random.default_rng(22).normal(0, 0.03, ideal.shape)).astype(np.float32)
    path = tmp_path / "noisy.npy"
    np.save(path, noisy)
    facts = read_capture(path, None, Wanted(samples_per_second=RATE))
    between = noisy[0] - noisy[1]
    rest = between[between < 0.4]
    expected = stats.iqr(rest, scale="normal")
    assert facts.levels.signal_noise == pytest.approx(expected, rel=0.15)
