"""How much each facet counts, with the origin of the figures."""

from __future__ import annotations

from typing import Final

from casebase.match.codes_facet import compare_codes
from casebase.match.facet import Compare
from casebase.match.meaning_facet import compare_meaning
from casebase.match.network_facet import compare_networks
from casebase.match.readings_facet import compare_readings, share_comparable
from casebase.match.silence_facet import compare_silence
from casebase.match.symptoms_facet import compare_symptoms
from casebase.match.vehicle_facet import compare_vehicles

FACETS: Final[dict[str, Compare]] = {
    "meaning": compare_meaning,
    "readings": compare_readings,
    "silence": compare_silence,
    "symptoms": compare_symptoms,
    "network": compare_networks,
    "codes": compare_codes,
    "vehicle": compare_vehicles,
}
"""Every facet by its name. A new one is a module with a `Compare` function, a line here and a weight below."""

WEIGHTS: Final[dict[str, float]] = {
    "meaning": 0.22,
    "symptoms": 0.22,
    "readings": 0.20,
    "silence": 0.13,
    "codes": 0.11,
    "network": 0.09,
    "vehicle": 0.03,
}

HEALTHY_FACETS: Final[dict[str, Compare]] = {
    "vehicle": compare_vehicles,
    "network": compare_networks,
    "comparable": share_comparable,
}
HEALTHY_WEIGHTS: Final[dict[str, float]] = {"vehicle": 0.4, "network": 0.25, "comparable": 0.35}
"""Known good records answer `is this normal here?`: what counts is that they are of this build and hold the same
readings, not that these agree (judged)."""

WEIGHTS_ORIGIN: Final = (
    "chosen near those fitted to simulated cases of one invented fleet, looking at a second (docs/matching.md); a"
    " library may keep weights fitted to its own cases"
)
