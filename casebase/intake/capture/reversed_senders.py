"""Senders whose own lines are swapped: they drive the bus the wrong way, where no other module sees it.

Their frames lie below rest as far as the others' lie above it. Nobody acknowledges them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from casebase.intake.capture.can_traffic import Traffic, traffic_in
from casebase.intake.capture.edges import pulses_in
from casebase.intake.capture.levels import Levels
from casebase.intake.capture.samples import Capture
from casebase.intake.capture.senders import SenderFacts, senders_in
from casebase.intake.capture.survey import Survey
from casebase.intake.capture.wiring import Wiring

_FEWEST_SAMPLES: Final = 12
_WORDS: Final = "its lines are swapped: {first} goes down and {second} up when it drives, against all others"


def reversed_senders(
    capture: Capture, seen: Survey, wiring: Wiring, levels: Levels, traffic: Traffic
) -> tuple[SenderFacts, ...]:
    """Return the senders that drive a pair the wrong way; none on a single line."""
    if len(wiring.lines) < 2:
        return ()
    below = levels.signal_recessive - 0.5 * levels.amplitude
    if np.count_nonzero(wiring.signal(seen.rows) < below) < _FEWEST_SAMPLES:
        return ()
    turned = replace(wiring, swapped=not wiring.swapped)
    swing = min(levels.amplitude, 2.0) if levels.amplitude < 5.0 else levels.amplitude
    thresholds = (0.25 * swing - levels.signal_recessive, 0.45 * swing - levels.signal_recessive)
    found = traffic_in(pulses_in(capture, turned, thresholds), capture.seconds_per_sample)
    if found is None or abs(found.rate.measured / traffic.rate.measured - 1.0) > 0.02:
        return ()
    words = _WORDS.format(first=wiring.lines[0], second=wiring.lines[1])
    return tuple(replace(one, stands_out=(words,)) for one in senders_in(capture, found, wiring))
