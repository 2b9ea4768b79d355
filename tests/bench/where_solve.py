"""Harnesses of `where_harness.py` through ngspice: levels at rest and with each sender, ohms anywhere, plugs parted."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from where_harness import Harness, Unit

LEAK_OHMS: Final = 1e9
TEST_AMPERES: Final = 1e-5
TESTER: Final = (4.3, 0.7, 30.0, 0.08)
LEADS: Final = {"between": ("h", "l"), "high": ("h", "0"), "low": ("l", "0")}


@dataclass(frozen=True)
class Asked:
    """A harness in one condition: what is parted, at which nodes ohms are read, which senders drive in turn.

    A sender is a module's name, or `tester`.
    """

    harness: Harness
    parted: tuple[str, ...] = ()
    ohms_at: tuple[str, ...] = ()
    ends: tuple[tuple[str, str], ...] = ()
    senders: tuple[str, ...] = ()
    levels: bool = True


@dataclass(frozen=True)
class Answered:
    """Volts (high, low) of every node by run (`rest` or a sender), ohms by (node, leads), ohms of lines end to end."""

    volts: dict[str, dict[str, tuple[float, float]]]
    ohms: dict[tuple[str, str], float]
    along: dict[tuple[str, str], tuple[float, float]]


def solved(asked: Sequence[Asked]) -> list[Answered]:
    """Return what ngspice finds, all in one process."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        script = ["* harnesses", ".control", "set filetype=binary"]
        for number, one in enumerate(asked):
            nodes = _nodes(one.harness)
            for live in (True, False):
                runs = _runs(one, live)
                if not runs:
                    continue
                name = f"{number}{'p' if live else 'o'}"
                (home / f"{name}.cir").write_text(
                    "\n".join(_netlist(one, nodes, live, runs)), encoding="ascii"
                )
                script += [f"source {name}.cir"]
                for place, _run in enumerate(runs):
                    if place:
                        script.append(f"alter vc{place - 1} dc = 0")
                    script += [f"alter vc{place} dc = 1", "op", f"write {name}-{place}.raw", "destroy all"]
                script += ["remcirc"]
        (home / "all.cir").write_text("\n".join([*script, ".endc", ".end"]) + "\n", encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", "all.cir"], cwd=home, capture_output=True, text=True, check=False, timeout=900
        )
        said = [
            line for line in (done.stdout + done.stderr).splitlines() if "rror" in line or "aborted" in line
        ]
        if said:
            raise RuntimeError("ngspice: " + "; ".join(said[:4]))
        return [_read(home, number, one) for number, one in enumerate(asked)]


def _runs(one: Asked, live: bool) -> list[tuple[str, ...]]:
    if live:
        return [("rest",), *(("send", sender) for sender in one.senders)] if one.levels else []
    found: list[tuple[str, ...]] = [("ohms", node, lead) for node in one.ohms_at for lead in LEADS]
    return found + [("along", *ends, line) for ends in one.ends for line in "hl"]


def _nodes(harness: Harness) -> dict[str, str]:
    names = dict.fromkeys(end for link in harness.links for end in (link.one, link.other))
    return {name: f"n{number}" for number, name in enumerate(names)}


def _netlist(one: Asked, nodes: dict[str, str], live: bool, runs: Sequence[tuple[str, ...]]) -> Iterator[str]:
    harness = one.harness
    yield "* one harness"
    for place in range(len(runs)):
        yield from (f"Vc{place} c{place} 0 DC 0", f"Rc{place} c{place} 0 1k")
    for place, link in enumerate(harness.links):
        if link.is_contact and link.element in one.parted:
            continue
        for line, ohms in (("h", link.ohms_high), ("l", link.ohms_low)):
            yield f"Rl{place}{line} {nodes[link.one]}{line} {nodes[link.other]}{line} {ohms:.9g}"
    for name, node in nodes.items():
        yield from (f"Rk{node}{line} {node}{line} 0 {LEAK_OHMS:g}" for line in "hl")
        del name
    for place, unit in enumerate(harness.units.values()):
        yield from _unit_lines(place, unit, nodes[unit.node], harness, live)
    if live:
        yield f"Vbat battery 0 DC {harness.battery_volts:.6g}"
    else:
        yield f"Rbat battery 0 {harness.rail_ohms:.6g}"
    for place, (start, end, ohms) in enumerate(harness.shunts):
        yield f"Rx{place} {_end(start, nodes)} {_end(end, nodes)} {ohms:.9g}"
    for place, run in enumerate(runs):
        yield from _run_lines(place, run, harness, nodes)
    yield ".options reltol=1e-6 abstol=1e-12 vntol=1e-9 itl1=400"
    yield ".end"


def _end(text: str, nodes: dict[str, str]) -> str:
    name, bar, line = text.partition("|")
    return f"{nodes[name]}{line}" if bar else name


def _unit_lines(place: int, unit: Unit, node: str, harness: Harness, live: bool) -> Iterator[str]:
    if not unit.fitted:
        return
    if unit.terminator:
        yield f"Rt{place} {node}h {node}l {unit.terminator:.9g}"
    volts = unit.bias_volts if live and unit.supplied else 0.0
    for line, bias in zip("hl", unit.bias_ohms, strict=True):
        ohms = bias if live else bias / harness.dead_share
        if live and not unit.supplied:
            ohms = unit.load_ohms or 30 * bias
        yield f"Vb{place}{line} b{place}{line} 0 DC {volts:.9g}"
        yield f"Rb{place}{line} {node}{line} b{place}{line} {ohms:.9g}"
    if live and unit.stuck:
        yield from _driver_lines(f"s{place}", node, unit.driver, "1")


def _driver_lines(
    name: str, node: str, driver: tuple[float, float, float, float], control: str
) -> Iterator[str]:
    high, low, ohms, limit = driver
    yield f"Bh{name} 0 {node}h I={control}*max(0,min({limit:.6g},({high:.6g}-v({node}h))/{ohms:.6g}))"
    yield f"Bl{name} {node}l 0 I={control}*max(0,min({limit:.6g},(v({node}l)-{low:.6g})/{ohms:.6g}))"


def _run_lines(place: int, run: tuple[str, ...], harness: Harness, nodes: dict[str, str]) -> Iterator[str]:
    if run[0] == "send":
        tester = run[1] == "tester"
        node = nodes["DLC"] if tester else nodes[harness.units[run[1]].node]
        driver = TESTER if tester else harness.units[run[1]].driver
        yield from _driver_lines(f"d{place}", node, driver, f"v(c{place})")
    elif run[0] == "ohms":
        plus, minus = LEADS[run[2]]
        node = nodes[run[1]]
        yield f"Gp{place} {'0' if minus == '0' else node + minus} {node}{plus} c{place} 0 {TEST_AMPERES:g}"
    elif run[0] == "along":
        yield f"Gp{place} {nodes[run[2]]}{run[3]} {nodes[run[1]]}{run[3]} c{place} 0 {TEST_AMPERES:g}"


def _read(home: Path, number: int, one: Asked) -> Answered:
    nodes = _nodes(one.harness)
    volts: dict[str, dict[str, tuple[float, float]]] = {}
    for place, run in enumerate(_runs(one, True)):
        found = _volts(home / f"{number}p-{place}.raw")
        volts[run[-1]] = {name: (found[f"{node}h"], found[f"{node}l"]) for name, node in nodes.items()}
    ohms: dict[tuple[str, str], float] = {}
    along: dict[tuple[str, str], tuple[float, float]] = {}
    for place, run in enumerate(_runs(one, False)):
        found = _volts(home / f"{number}o-{place}.raw")
        if run[0] == "ohms":
            plus, minus = LEADS[run[2]]
            low = 0.0 if minus == "0" else found[f"{nodes[run[1]]}{minus}"]
            ohms[run[1], run[2]] = (found[f"{nodes[run[1]]}{plus}"] - low) / TEST_AMPERES
        else:
            apart = (found[f"{nodes[run[1]]}{run[3]}"] - found[f"{nodes[run[2]]}{run[3]}"]) / TEST_AMPERES
            along[run[1], run[2]] = (*along.get((run[1], run[2]), ()), apart)  # type: ignore[assignment]
    return Answered(volts, ohms, along)


def _volts(path: Path) -> dict[str, float]:
    head, _, body = path.read_bytes().partition(b"Binary:\n")
    rows = [line.split() for line in head.decode("ascii").partition("Variables:\n")[2].splitlines()]
    values = np.frombuffer(body, dtype=np.float64, count=len(rows))
    return {
        row[1].removeprefix("v(").removesuffix(")"): float(value)
        for row, value in zip(rows, values, strict=True)
    }
