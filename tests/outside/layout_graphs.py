"""Random layouts as graphs of places, made with networkx: trees with inline plugs and splices, now and then a ring."""

from __future__ import annotations

from random import Random
from typing import Any

import networkx

from casebase.record.layout import Layout

MODULES = (
    "ECM",
    "ABS",
    "BCM",
    "TCM",
    "HVAC",
    "IPC",
    "radio",
    "gateway",
    "camera rear",
    "trailer",
    "sunroof",
    "tailgate",
)


def random_layout(seed: int) -> tuple[Layout, networkx.Graph]:
    """Return a layout and its graph of places; every leaf is a module or the DLC."""
    random = Random(seed)
    names = list(MODULES[: random.randint(3, len(MODULES))])
    splices = [f"S{number}" for number in range(1, random.randint(2, 6))]
    graph = networkx.Graph()
    graph.add_node(splices[0])
    for splice in splices[1:]:
        graph.add_edge(splice, random.choice(sorted(graph)))
    for name in ("DLC", *names):
        graph.add_edge(name, random.choice(splices))
    for splice in [one for one in splices if graph.degree(one) < 2]:
        graph.remove_node(splice)
    if random.random() < 0.3:
        _close_a_ring(random, graph)
    plugs = []
    for one, other in sorted(graph.edges):
        if random.random() < 0.25:
            plug = f"X{len(plugs) + 1}"
            plugs.append(plug)
            graph.remove_edge(one, other)
            networkx.add_path(graph, (one, plug, other))
    return _as_record(random, graph, names, plugs), graph


def _close_a_ring(random: Random, graph: networkx.Graph) -> None:
    """Join two splices that are no neighbours yet, where there are such."""
    inner = sorted(place for place in graph if place.startswith("S"))
    apart = [
        (one, other) for one in inner for other in inner if one < other and not graph.has_edge(one, other)
    ]
    if apart:
        graph.add_edge(*random.choice(apart))


def _as_record(random: Random, graph: networkx.Graph, names: list[str], plugs: list[str]) -> Layout:
    wires: list[list[str]] = [
        [one, f"{random.uniform(0.2, 6):.1f} m", other] if random.random() < 0.7 else [one, other]
        for one, other in sorted(graph.edges)
    ]
    ring: dict[str, Any] = {} if networkx.is_forest(graph) else {"ring": "yes"}
    network = {
        "name": "HS CAN",
        "medium": "high-speed CAN",
        "terminators": [names[0], names[-1]],
        "wires": wires,
    }
    return Layout.model_validate(
        {
            "kind": "network layout",
            "vehicles": {"make": "Veldra"},
            "source": "guessed",
            "networks": [network | ring],
            "modules": [name for name in names if name in graph],
            "plugs": plugs,
            "splices": sorted(place for place in graph if place.startswith("S")),
        }
    )
