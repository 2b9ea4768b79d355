"""How long a layout takes to be read and drawn: 30 modules on trunk and stubs, and the largest that is accepted.

`python tests/bench/layout_drawing_speed.py` prints milliseconds, the best of ten.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from casebase.record.layout import Layout
from casebase.record.loading import layout_from_data
from casebase.site.layout_picture import layout_picture
from casebase.terminal.layout import drawing_lines


def layout_data(modules: int) -> dict[str, Any]:
    """Return a trunk of splices with a module on each."""
    splices = [f"S{number}" for number in range(modules)]
    stubs = [[splice, "0.5 m", f"module {number}"] for number, splice in enumerate(splices)]
    network = {
        "name": "CAN",
        "medium": "high-speed CAN",
        "terminators": ["module 0", f"module {modules - 1}"],
        "wires": [["DLC", *splices], *stubs],
    }
    return {
        "kind": "network layout",
        "vehicles": {"make": "Norrvik", "platform": "K4"},
        "source": "guessed",
        "networks": [network],
        "modules": [f"module {number}" for number in range(modules)],
        "splices": splices,
    }


def best_ms(work: Callable[[], object]) -> float:
    """Return the best of ten runs, in milliseconds."""
    took = []
    for _ in range(10):
        began = time.perf_counter()
        work()
        took.append(time.perf_counter() - began)
    return 1000 * min(took)


def figures_of(modules: int) -> dict[str, float]:
    """Return milliseconds by what was done."""
    data = layout_data(modules)
    layout: Layout = layout_from_data(data, "bench")
    network = layout.networks[0]
    return {
        "read": best_ms(lambda: layout_from_data(data, "bench")),
        "drawn for the site": best_ms(lambda: layout_picture(layout, network)),
        "drawn for the terminal": best_ms(lambda: drawing_lines(layout, network, None, 80)),
    }


def main() -> None:
    """Print the figures."""
    for modules in (30, 999):
        told = (f"{words} {ms:.1f} ms" for words, ms in figures_of(modules).items())
        print(f"{modules} modules: {', '.join(told)}")


if __name__ == "__main__":
    main()
