"""Bare modules measured at their own pins: with a terminator and without, sound and with a shorted transceiver.

Published: 2.25 to 160 kohm in order by kind of module, above 500 kohm open, 0 to 50 ohm shorted (a machine maker's
manual, page 136); 37.1 kohm in order (an engine maker's manual, page 123).
"""

from __future__ import annotations

from random import Random
from typing import Any, Final

from wide_draws import BIAS_OHMS, NAMES, TERMINATOR_OHMS, Chance
from wide_meter import HandMeter, reading_keys
from wide_truth import Truth
from wide_visit import Visit

INTO_THE_MODULE: Final[dict[str, Any]] = {"into": "module"}
"""The keys by which a record says that the leads were on the bare module and not in the harness."""

SOUND_OHMS: Final = (2.25e3, 160e3)
SHORTED_OHMS: Final = (0.3, 48.0)


def visits(seed: int, per_group: int) -> list[Visit]:
    """Return `per_group` visits to sound modules and as many to shorted ones."""
    return [
        _visit(name, Chance(Random(f"bare {seed} {name} {number}")))
        for name in ("bare module, sound", "bare module, shorted")
        for number in range(per_group)
    ]


def _visit(name: str, chance: Chance) -> Visit:
    modules = tuple(chance.random.sample(NAMES, 8))
    held, meter = chance.often(0.4), HandMeter.of(chance)
    which = modules[0] if held else modules[3]
    ends = (modules[0], modules[1])
    own = (
        chance.even((2 * BIAS_OHMS[0], 2 * BIAS_OHMS[1])) if chance.often(0.6) else chance.by_size(SOUND_OHMS)
    )
    if held:
        own = 1 / (1 / own + 1 / chance.even(TERMINATOR_OHMS))
    if name == "bare module, shorted":
        own = 1 / (1 / own + 1 / chance.by_size(SHORTED_OHMS))
    at = f"connector of {which}"
    bare = reading_keys("ohms between", meter.ohms(own, chance), at, which) | INTO_THE_MODULE
    beside = [bare]
    if chance.often(0.5):  # the harness without it, which is sound
        rest = chance.even((58.0, 62.0)) * (2 if held else 1)
        beside.append(reading_keys("ohms between", meter.ohms(rest, chance), "DLC", which))
    return Visit(
        group=f"small: {name}",
        truth=Truth(name, "", own, "module", which),
        modules=modules,
        terminators_in=ends,
        beside=tuple(beside),
    )
