"""Many buses through ngspice (`ngspice -b`) in one process: every state solved, the raw files read back."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from ngspice_bus import CONTROLS, LEADS, OHMMETERS, PROBE_AMPERES, SENDS, SpiceBus, netlist
from numpy.typing import NDArray

NGSPICE: Final = shutil.which("ngspice")


@dataclass(frozen=True)
class Solved:
    """What ngspice found on one bus. Ohms by (`dlc` or `plug`, `between`, `high` or `low`); volts as (high, low).

    `plug` is the connector of the bus's probed branch.
    """

    ohms: dict[tuple[str, str], float]
    rest: tuple[float, float]
    sent: tuple[tuple[float, float], ...]
    asleep: tuple[float, float]
    plug_rest: tuple[float, float]


def solved(buses: Sequence[SpiceBus], at_once: int = 5) -> list[Solved]:
    """Return what ngspice finds on every bus, `at_once` of them in one circuit, all in one process."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        groups = [buses[start : start + at_once] for start in range(0, len(buses), at_once)]
        script = ["* many circuits", ".control", "set filetype=binary"]
        for number, group in enumerate(groups):
            (home / f"{number}.cir").write_text("\n".join(netlist(group)), encoding="ascii")
            script += [f"source {number}.cir", *_state_lines(number, _runs(group)), "remcirc", "destroy all"]
        (home / "all.cir").write_text("\n".join([*script, ".endc", ".end"]) + "\n", encoding="ascii")
        _run(home)
        return [one for number, group in enumerate(groups) for one in _read(home, number, group)]


def _runs(buses: Sequence[SpiceBus]) -> dict[str, tuple[str, ...]]:
    """Return the controls that are on in each run; one instrument at a time, no more senders than some bus has."""
    sends = SENDS[: max(len(bus.senders) for bus in buses)]
    states = {
        "rest": ("on", "battery"),
        "asleep": ("battery",),
        **{send: ("on", "battery", send) for send in sends},
    }
    return {
        **{
            f"{state}-volts_dlc_{line}": (*on, f"volts_dlc_{line}")
            for state, on in states.items()
            for line in "hl"
        },
        **{f"rest-volts_plug_{line}": ("on", "battery", f"volts_plug_{line}") for line in "hl"},
        **{ohms: (ohms,) for ohms in OHMMETERS},
    }


def _state_lines(number: int, runs: dict[str, tuple[str, ...]]) -> Iterator[str]:
    """Yield the commands that solve every state; only the controls that change are altered."""
    before: tuple[str, ...] = ()
    for run, now in runs.items():
        for control in CONTROLS:
            if (control in now) != (control in before):
                yield f"alter vctl_{control} dc = {int(control in now)}"
        yield from ("op", f"write {number}-{run}.raw", "destroy all")
        before = now


def _run(home: Path) -> None:
    if NGSPICE is None:
        raise FileNotFoundError("ngspice is not installed: apt-get install ngspice")
    done = subprocess.run(
        [NGSPICE, "-b", "all.cir"], cwd=home, capture_output=True, text=True, check=False, timeout=600
    )
    trouble = [line for line in (done.stdout + done.stderr).splitlines() if _is_trouble(line)]
    if trouble:
        raise RuntimeError("ngspice: " + "; ".join(trouble[:5]))


def _is_trouble(line: str) -> bool:
    """Tell a run given up from one that got there after a retry (stepping gmin or the sources)."""
    return any(word in line.lower() for word in ("error", "aborted", "could not"))


def _read(home: Path, number: int, buses: Sequence[SpiceBus]) -> Iterator[Solved]:
    runs = {run: _volts_by_node(home / f"{number}-{run}.raw") for run in _runs(buses)}
    for order, bus in enumerate(buses):
        pins = {"dlc": f"b{order}_d", "plug": f"b{order}_c{bus.probed}"}
        yield Solved(
            ohms={
                (where, ends): _ohms(runs[f"ohms_{where}_{ends}"], pins[where], ends)
                for where in pins
                for ends in LEADS
            },
            rest=_pair(runs, "rest", "dlc", pins),
            sent=tuple(_pair(runs, send, "dlc", pins) for send in SENDS[: len(bus.senders)]),
            asleep=_pair(runs, "asleep", "dlc", pins),
            plug_rest=_pair(runs, "rest", "plug", pins),
        )


Runs = dict[str, dict[str, float]]


def _pair(runs: Runs, state: str, where: str, pins: dict[str, str]) -> tuple[float, float]:
    """Return what a voltmeter shows on one line, then on the other."""
    high, low = (runs[f"{state}-volts_{where}_{line}"][pins[where] + line] for line in "hl")
    return high, low


def _ohms(volts: dict[str, float], pins: str, ends: str) -> float:
    plus, minus = LEADS[ends]
    return (volts[pins + plus] - (0.0 if minus == "0" else volts[pins + minus])) / PROBE_AMPERES


def _volts_by_node(path: Path) -> dict[str, float]:
    """Return the voltages of a binary raw file with one point."""
    head, _, body = path.read_bytes().partition(b"Binary:\n")
    rows = [line.split() for line in head.decode("ascii").partition("Variables:\n")[2].splitlines()]
    values: NDArray[np.float64] = np.frombuffer(body, dtype=np.float64, count=len(rows))
    return {
        row[1].removeprefix("v(").removesuffix(")"): float(value)
        for row, value in zip(rows, values, strict=True)
    }
