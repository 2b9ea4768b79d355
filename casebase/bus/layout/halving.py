"""The test that halves the harness: which of all that can be parted, unplugged or read tells most about where.

Rows drawn by their probability stand for what may be true, as in `next_test`; bits are about which element. No place is
read again unless that tells much.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from casebase.bus.chain import Array
from casebase.bus.layout.belief import Belief, Candidate, Words
from casebase.bus.layout.candidates import candidates
from casebase.bus.layout.whereabouts import Outcome, PlaceToOpen

LEAST_BITS: Final = 0.03
AGAIN_BITS: Final = 0.25
"""What a test must tell at a place where a part of it was read already (judged)."""
OUTCOMES: Final = 3


def places_to_open(belief: Belief, most: int) -> list[PlaceToOpen]:
    """Return the tests that tell most about where per minute, the best first, at most one for each place."""
    found: dict[str, PlaceToOpen] = {}
    for candidate in not_done(belief):
        shown = candidate.shows(belief.some)
        bits = belief.bits(shown)
        test = PlaceToOpen(
            candidate.place,
            candidate.what,
            candidate.minutes,
            bits,
            candidate.precondition,
            (),
            candidate.cautions,
        )
        best = found.get(candidate.place)
        least = AGAIN_BITS if any(each in belief.done for each in candidate.told) else LEAST_BITS
        if bits >= least and (best is None or test.bits_per_minute > best.bits_per_minute):
            found[candidate.place] = replace(test, outcomes=tuple(_outcomes(belief, shown)))
    return sorted(found.values(), key=lambda test: -test.bits_per_minute)[:most]


def not_done(belief: Belief) -> Iterator[Candidate]:
    """Yield every test that reads something that was not read yet."""
    for candidate in candidates(belief):
        if not all(each in belief.done for each in candidate.told):
            yield candidate


def _outcomes(belief: Belief, shown: Words) -> Iterator[Outcome]:
    """Yield what a test most likely shows, and where the fault then lies."""
    whole = belief.counts.sum()
    words, place = np.unique(shown, return_inverse=True)
    shares = np.bincount(place, belief.counts, len(words)) / whole
    for index in np.argsort(-shares, kind="stable")[:OUTCOMES]:
        chosen = place == index
        yield Outcome(str(words[index]), float(shares[index]), _means(belief, chosen))


def _means(belief: Belief, chosen: Array) -> str:
    """Return where the fault lies on the rows chosen: the elements that hold most of them."""
    elements = belief.rows.wiring.elements
    weights = np.bincount(belief.elements[chosen], belief.counts[chosen], len(elements) + 1)
    weights = weights / weights.sum()
    order = np.argsort(-weights, kind="stable")
    named: list[str] = []
    held = 0.0
    for index in order:
        named.append(elements[index].name if index < len(elements) else "nothing on the layout")
        held += float(weights[index])
        if held >= NAMED_SHARE or len(named) == NAMED_MOST:
            break
    words = named[0] if len(named) == 1 else f"{', '.join(named[:-1])} or {named[-1]}"
    return words if held >= NAMED_SHARE else f"{words}, or elsewhere"


NAMED_SHARE, NAMED_MOST = 0.8, 4
