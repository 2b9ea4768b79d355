"""Waveforms of a high-speed CAN pair by ngspice transient analysis: bits of real frames, cable, terminators, faults.

Each module is two switched drivers behind a resistance (about 25 ohm in each line gives 2 V between the lines into 60
ohm) and its bias of 2.5 V through 25 kohm (TI TCAN1042HGV, 7.7: 30 to 80 kohm differential input resistance); the cable
is resistances and capacitances in sections (40 to 60 pF/m and 70 mohm/m, common practice, no source).
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

NGSPICE: Final = shutil.which("ngspice")
SLEW_SECONDS: Final = 40e-9


@dataclass(frozen=True)
class SpicePair:
    """A pair as a circuit. `sections`: of 2 m each; `driver_ohms`: of each of the two senders; `terminators` in ohms.

    `extra`: further lines of the netlist, the fault; nodes are h0 to h(sections) and l0 to l(sections), the probe is at
    the last.
    """

    driver_ohms: tuple[float, float] = (21.0, 21.0)
    terminators: tuple[float, float] = (120.0, 120.0)
    sections: int = 3
    picofarads_per_section: float = 110.0
    extra: tuple[str, ...] = ()


def waveform(
    pair: SpicePair,
    bits: Sequence[int],
    senders: Sequence[int],
    bit_seconds: float,
    samples_per_second: float,
) -> NDArray[np.float32]:
    """Return both lines at the probe; `senders[k]`: which module drives bit k (0 dominant, 1 recessive)."""
    if NGSPICE is None:
        raise FileNotFoundError("ngspice is not installed: apt-get install ngspice")
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        (home / "pair.cir").write_text(
            "\n".join(_netlist(pair, bits, senders, bit_seconds, samples_per_second)), encoding="ascii"
        )
        done = subprocess.run(
            [NGSPICE, "-b", "pair.cir"], cwd=home, capture_output=True, text=True, check=False, timeout=300
        )
        if not (home / "out.txt").exists():
            raise RuntimeError(f"ngspice: {done.stderr[-500:]}")
        table = np.loadtxt(home / "out.txt")
    times = np.arange(0.0, len(bits) * bit_seconds, 1.0 / samples_per_second)
    return np.stack(
        [np.interp(times, table[:, 0], table[:, 1]), np.interp(times, table[:, 0], table[:, 3])]
    ).astype(np.float32)


def _netlist(
    pair: SpicePair,
    bits: Sequence[int],
    senders: Sequence[int],
    bit_seconds: float,
    samples_per_second: float,
) -> list[str]:
    last = pair.sections
    lines = ["* pair", "Vcc vcc 0 5", "Vbias vb 0 2.5", ".model sw sw(vt=0.5 vh=0.3 ron=0.1 roff=100meg)"]
    for place in range(last):
        lines += [f"Rh{place} h{place} h{place + 1} 0.14", f"Rl{place} l{place} l{place + 1} 0.14"]
        half = pair.picofarads_per_section
        lines += [f"Ch{place} h{place + 1} 0 {half}p", f"Cl{place} l{place + 1} 0 {half}p"]
    lines += [f"Rt0 h0 l0 {pair.terminators[0]}", f"Rt1 h{last} l{last} {pair.terminators[1]}"]
    for module, node in enumerate((0, last)):
        ohms = pair.driver_ohms[module]
        lines += [
            f"Rbh{module} h{node} vb 25k",
            f"Rbl{module} l{node} vb 25k",
            # a diode's volts stand in each driver: 0.7 V above ground, 0.7 V below the supply
            f"Vdh{module} vcc a{module} 0.7",
            f"Sh{module} a{module} b{module} c{module} 0 sw",
            f"Roh{module} b{module} h{node} {ohms}",
            f"Rol{module} l{node} d{module} {ohms}",
            f"Sl{module} d{module} e{module} c{module} 0 sw",
            f"Vdl{module} e{module} 0 0.7",
            f"Vc{module} c{module} 0 PWL({_steps(bits, senders, module, bit_seconds)})",
        ]
    step, end = 0.5 / samples_per_second, len(bits) * bit_seconds
    return [
        *lines,
        *pair.extra,
        ".control",
        f"tran {step:.3e} {end:.6e} 0 {step:.3e}",
        f"wrdata out.txt v(h{last}) v(l{last})",
        ".endc",
        ".end",
    ]


def _steps(bits: Sequence[int], senders: Sequence[int], module: int, bit_seconds: float) -> str:
    """Return the control of one module as time and volts: 1 V while it drives."""
    points, before = ["0 0"], 0
    for place, (bit, sender) in enumerate(zip(bits, senders, strict=True)):
        now = int(bit == 0 and sender == module)
        if now != before:
            start = place * bit_seconds
            points += [f"{start:.9e} {before}", f"{start + SLEW_SECONDS:.9e} {now}"]
        before = now
    return " ".join(points)
