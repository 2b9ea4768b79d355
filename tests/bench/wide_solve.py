"""Wide buses through ngspice (`ngspice -b`), many in one process: ohms and volts at the DLC and at the probed plug."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from wide_bus import CONTROLS, ENDS, OHMMETERS, PLACES, SENDS, TEST_AMPERES, WideBus, netlist

RUNS: Final[dict[str, tuple[str, ...]]] = {
    "asleep": ("battery", "meter"),
    "rest": ("battery", "meter", "awake"),
    **{send: ("battery", "meter", "awake", send) for send in SENDS},
    **{ohms: (ohms,) for ohms in OHMMETERS},
}
"""The controls that are on in each run."""

Pair = tuple[float, float]


@dataclass(frozen=True)
class Found:
    """What ngspice found on one bus: ohms by (place, ends), volts of (high, low) by place; `sent` one per sender."""

    ohms: dict[tuple[str, str], float]
    rest: dict[str, Pair]
    asleep: dict[str, Pair]
    sent: tuple[dict[str, Pair], ...]


def solved(buses: Sequence[WideBus], at_once: int = 60) -> list[Found | None]:
    """Return what ngspice finds on every bus; None for one that it gives up, alone in its circuit too."""
    answers: list[Found | None] = []
    for start in range(0, len(buses), at_once):
        answers += _solved_or_halved(buses[start : start + at_once])
    return answers


def _solved_or_halved(buses: Sequence[WideBus]) -> list[Found | None]:
    try:
        return [*_solved(buses)]
    except RuntimeError:
        if len(buses) == 1:
            return [None]
        middle = len(buses) // 2
        return _solved_or_halved(buses[:middle]) + _solved_or_halved(buses[middle:])


def _solved(buses: Sequence[WideBus], at_once: int = 4) -> list[Found]:
    groups = [buses[start : start + at_once] for start in range(0, len(buses), at_once)]
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        script = ["* many circuits", ".control", "set filetype=binary"]
        for number, group in enumerate(groups):
            (home / f"{number}.cir").write_text("\n".join(netlist(group)), encoding="ascii")
            script += [f"source {number}.cir", *_commands(number), "remcirc", "destroy all"]
        (home / "all.cir").write_text("\n".join([*script, ".endc", ".end"]) + "\n", encoding="ascii")
        _run(home)
        return [found for number, group in enumerate(groups) for found in _read(home, number, group)]


def _commands(number: int) -> Iterator[str]:
    before: tuple[str, ...] = ()
    for run, now in RUNS.items():
        for control in CONTROLS:
            if (control in now) != (control in before):
                yield f"alter vc_{control} dc = {int(control in now)}"
        yield from ("op", f"write {number}-{run}.raw", "destroy all")
        before = now


def _run(home: Path) -> None:
    done = subprocess.run(
        ["ngspice", "-b", "all.cir"], cwd=home, capture_output=True, text=True, check=False, timeout=900
    )
    said = [
        line
        for line in (done.stdout + done.stderr).splitlines()
        if any(word in line.lower() for word in ("error", "aborted", "could not"))
    ]
    if said:
        raise RuntimeError("ngspice: " + "; ".join(said[:5]))


def _read(home: Path, number: int, buses: Sequence[WideBus]) -> Iterator[Found]:
    runs = {run: _volts_by_node(home / f"{number}-{run}.raw") for run in RUNS}
    for order, bus in enumerate(buses):
        pins = {"dlc": f"w{order}_d", "plug": f"w{order}_m{bus.probed}"}

        def volts(run: str, at: dict[str, str] = pins) -> dict[str, Pair]:
            return {place: (runs[run][at[place] + "h"], runs[run][at[place] + "l"]) for place in PLACES}

        yield Found(
            ohms={
                (place, ends): _ohms(runs[f"ohms_{place}_{ends}"], pins[place], ends)
                for place in PLACES
                for ends in ENDS
            },
            rest=volts("rest"),
            asleep=volts("asleep"),
            sent=tuple(volts(send) for send in SENDS[: len(bus.senders)]),
        )


def _ohms(volts: dict[str, float], pins: str, ends: str) -> float:
    plus, minus = ENDS[ends]
    return (volts[pins + plus] - (0.0 if minus == "0" else volts[pins + minus])) / TEST_AMPERES


def _volts_by_node(path: Path) -> dict[str, float]:
    head, _, body = path.read_bytes().partition(b"Binary:\n")
    rows = [line.split() for line in head.decode("ascii").partition("Variables:\n")[2].splitlines()]
    values = np.frombuffer(body, dtype=np.float64, count=len(rows))
    return {
        row[1].removeprefix("v(").removesuffix(")"): float(v) for row, v in zip(rows, values, strict=True)
    }
