"""Casebase's solver of a wiring layout against ngspice, the circuit simulator, and its graph against networkx.

Both solvers are given the same ohms, volts and ampere limits: random layouts, a fault of every kind in turn, nothing
parted, a plug parted or a module unplugged.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from random import Random

import networkx
import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from layout_graphs import random_layout
from needed_programs import needs

from casebase.bus.layout.from_record import wiring_of
from casebase.bus.layout.rows import Rows, rows_for
from casebase.bus.layout.ways import ROWS
from casebase.bus.layout.wiring import Wiring, place_of_point
from casebase.bus.network import METER_OHMS

pytestmark = pytest.mark.slow

GRAPHS = 64
LEAK_OHMS = 1e9
TEST_AMPERES = 1e-6


@dataclass(frozen=True)
class Asked:
    """One row of a layout in one condition: which way and row, what is open, where the leads are, who drives."""

    rows: Rows
    way: int
    row: int
    opened: str
    point: int
    sender: int

    @property
    def base(self) -> int:
        """The healthy network of the row."""
        return int(self.rows.base[self.row])

    @property
    def flat(self) -> int:
        """The number of the row among all."""
        return self.way * ROWS + self.row


def asked_of(seed: int) -> Asked:
    """Return a random question on a random layout; the ways follow one another over the seeds."""
    random = Random(f"asked {seed}")
    layout, _ = random_layout(seed)
    rows = rows_for(wiring_of(layout, layout.networks[0]))
    wiring = rows.wiring
    places = [None, *(plug.name for plug in layout.plugs), *wiring.modules]
    opened = random.choice(places)
    sender = int(rows.senders_usual[0].reshape(rows.shape)[0, 0])
    kinds = sorted({way.state for way in rows.ways})
    of_kind = [number for number, way in enumerate(rows.ways) if way.state == kinds[seed % len(kinds)]]
    points = [number for number, name in enumerate(wiring.points) if not name.startswith("inside")]
    return Asked(
        rows,
        random.choice(of_kind),
        random.randrange(ROWS),
        wiring.key_of([opened] if opened else []),
        random.choice(points),
        sender,
    )


# --- ngspice ------------------------------------------------------------------------------------------------------


def netlist(asked: Asked, run: str) -> Iterator[str]:
    """Yield one circuit: `volts` (with supply, meters on both lines), or `between`, `high`, `low` for ohms."""
    rows, base = asked.rows, asked.base
    wiring, drawn = rows.wiring, rows.drawn
    powered = run in ("volts", "sent")
    gone = {branch for place in wiring.places_in(asked.opened) for branch in wiring.opening(place)}
    yield "* one layout"
    for number, branch in enumerate(wiring.branches):
        if number in gone:
            continue
        for line, ohms in (("h", drawn.branch_high), ("l", drawn.branch_low)):
            siemens = 1 / ohms[base, number] + _series(asked, number, line, powered)
            one, other = (f"n{end}{line}" for end in branch.ends)
            yield f"Rb{number}{line} {one} {other} {1 / max(siemens, 1e-10):.12g}"
    for point in range(len(wiring.points)):
        yield from (f"Rk{point}{line} n{point}{line} 0 {LEAK_OHMS:g}" for line in "hl")
    share = 1.0 if powered else drawn.dead_share[base]
    for module, point in enumerate(wiring.inside.values()):
        volts = drawn.bias_volts[base, module] if powered else 0.0
        for line, bias in (("h", drawn.bias_high), ("l", drawn.bias_low)):
            yield f"Vm{module}{line} m{module}{line} 0 DC {volts:.9g}"
            yield f"Rm{module}{line} n{point}{line} m{module}{line} {1 / (bias[base, module] * share):.9g}"
    for number, (point, _, _) in enumerate(wiring.terminators):
        yield f"Rt{number} n{point}h n{point}l {1 / drawn.terminators[base, number]:.9g}"
    yield from _shunt_lines(asked, powered)
    if powered:
        yield from (f"Rv{line} n{asked.point}{line} 0 {METER_OHMS:g}" for line in "hl")
    else:
        plus, minus = {"between": ("h", "l"), "high": ("h", "0"), "low": ("l", "0")}[run]
        back = "0" if minus == "0" else f"n{asked.point}{minus}"
        yield f"Ip {back} n{asked.point}{plus} DC {TEST_AMPERES:g}"
    yield from (".options reltol=1e-9 abstol=1e-15 vntol=1e-12", ".end")


def _series(asked: Asked, branch: int, line: str, powered: bool) -> float:
    """Return what the fault adds to the conductance of a branch, where it lies there."""
    way = asked.rows.ways[asked.way]
    if asked.rows.ports.of_branch[branch] != way.port[asked.row]:
        return 0.0
    siemens = way.live if powered else way.unpowered
    return float((siemens.hh if line == "h" else siemens.ll)[asked.row])


def _shunt_lines(asked: Asked, powered: bool) -> Iterator[str]:
    """Yield what the fault hangs on a point; conductances may be negative, as where a terminator is taken away."""
    rows = asked.rows
    way, points = rows.ways[asked.way], len(rows.wiring.points)
    point = int(way.port[asked.row]) - points
    if not 0 <= point < points:
        return
    siemens = way.live if powered else way.unpowered
    across = -float(siemens.hl[asked.row])
    for line, whole, amperes in (("h", siemens.hh, way.amperes[0]), ("l", siemens.ll, way.amperes[1])):
        own = float(whole[asked.row]) - across
        yield f"Gx{line} n{point}{line} 0 n{point}{line} 0 {own:.12g}"
        if powered:
            yield f"Ix{line} 0 n{point}{line} DC {float(amperes[asked.row]):.12g}"
    yield f"Gxa n{point}h n{point}l n{point}h n{point}l {across:.12g}"


def by_ngspice(folder: Path, asked: Asked) -> dict[str, float]:
    """Return what ngspice finds: ohms between and to ground, volts of both lines."""
    script = ["* all", ".control", "set filetype=ascii"]
    for run in ("volts", "between", "high", "low"):
        (folder / f"{run}.cir").write_text("\n".join(netlist(asked, run)) + "\n", encoding="ascii")
        script += [f"source {run}.cir", "op", f"write {run}.raw", "destroy all", "remcirc"]
    (folder / "all.cir").write_text("\n".join([*script, ".endc", ".end"]) + "\n", encoding="ascii")
    subprocess.run(["ngspice", "-b", "all.cir"], cwd=folder, capture_output=True, check=False, timeout=120)
    node = f"n{asked.point}"
    volts = _values(folder / "volts.raw")
    found = {f"volts_{name}": volts[f"{node}{name[0]}"] for name in ("high", "low")}
    for run, plus, minus in (("between", "h", "l"), ("high", "h", ""), ("low", "l", "")):
        seen = _values(folder / f"{run}.raw")
        low = seen[f"{node}{minus}"] if minus else 0.0
        found[run] = (seen[f"{node}{plus}"] - low) / TEST_AMPERES
    return found


def _values(path: Path) -> dict[str, float]:
    head, _, body = path.read_text(encoding="ascii").partition("Values:\n")
    names = [line.split()[1] for line in head.partition("Variables:\n")[2].splitlines() if line.strip()]
    numbers = [float(word) for line in body.splitlines() for word in line.split()[-1:]]
    return {
        name.removeprefix("v(").removesuffix(")"): number
        for name, number in zip(names, numbers, strict=False)
    }


def by_casebase(asked: Asked) -> dict[str, float]:
    """Return the same by casebase."""
    columns = asked.rows.columns(asked.opened)
    named = {
        "between": "ohms_between",
        "high": "ohms_high_ground",
        "low": "ohms_low_ground",
        "volts_high": "recessive_high",
        "volts_low": "recessive_low",
    }
    return {
        name: float(columns[f"{asked.point}|{asked.opened}|{quantity}"][asked.flat])
        for name, quantity in named.items()
    }


@needs("ngspice")
@pytest.mark.parametrize("seed", range(GRAPHS))
def test_ohms_and_volts_are_those_of_ngspice(tmp_path, seed):
    """Within 1 % of the ohms as far as a meter shows them, and 10 mV: every kind of fault, plugs parted, rings."""
    asked = asked_of(seed)
    spice, own = by_ngspice(tmp_path, asked), by_casebase(asked)
    for name in ("between", "high", "low"):
        if min(spice[name], own[name]) < 2e6:
            assert own[name] == pytest.approx(spice[name], rel=0.01, abs=0.005), (name, asked)
    for name in ("volts_high", "volts_low"):
        assert own[name] == pytest.approx(spice[name], abs=0.010), (name, asked)


# --- networkx -----------------------------------------------------------------------------------------------------


def _graph_of(wiring: Wiring) -> networkx.MultiGraph:
    graph = networkx.MultiGraph()
    graph.add_nodes_from(range(len(wiring.points)))
    graph.add_edges_from((*branch.ends, number) for number, branch in enumerate(wiring.branches))
    return graph


@pytest.mark.parametrize("seed", range(GRAPHS))
def test_what_a_parted_place_cuts_off_is_what_networkx_says(seed):
    """The points that stay joined to the tester when a place is parted, and the cuts that take a module away."""
    layout, places = random_layout(seed)
    wiring = wiring_of(layout, layout.networks[0])
    graph = _graph_of(wiring)
    for place in (*(plug.name for plug in layout.plugs), *wiring.modules):
        cut = graph.copy()
        cut.remove_edges_from((*wiring.branches[number].ends, number) for number in wiring.opening(place))
        joined = networkx.node_connected_component(cut, wiring.speaker)
        assert wiring.reached(wiring.speaker, wiring.opening(place)) == joined
    bridges = {frozenset(edge) for edge in networkx.bridges(places)}
    for one, other in places.edges:
        wires = [number for number, branch in enumerate(wiring.branches) if branch.is_wire]
        here = [
            number
            for number in wires
            if {place_of_point(wiring.points[end]) for end in wiring.branches[number].ends} == {one, other}
        ]
        whole = len(wiring.reached(wiring.speaker)) == len(wiring.reached(wiring.speaker, here))
        assert whole != (frozenset((one, other)) in bridges)


@pytest.mark.parametrize("seed", range(0, GRAPHS, 4))
def test_ohms_from_end_to_end_are_the_shortest_way_along_a_tree(seed):
    """On a layout without a ring, ohms of a line between two modules are the sum along the path of networkx."""
    layout, places = random_layout(seed)
    if not networkx.is_forest(places):
        return
    rows = rows_for(wiring_of(layout, layout.networks[0]))
    wiring = rows.wiring
    graph = _graph_of(wiring)
    one, other = (list(wiring.inside.values())[place] for place in (0, -1))
    path = networkx.shortest_path(graph, one, other)
    numbers = [min(graph[a][b]) for a, b in pairwise(path)]
    sound = len(rows.ways) - 1
    shown = rows.columns(wiring.key_of(()))[f"{one}|nothing|ohms_high to {other}"].reshape(rows.shape)[sound]
    along = rows.drawn.branch_high[:, numbers].sum(axis=1)[rows.base]
    # Beside the line lie the other line through both terminators, and the bias of the modules.
    assert np.all(shown <= along + 1e-6)
    assert shown == pytest.approx(along, rel=0.03)
