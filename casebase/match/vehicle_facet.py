"""Facet `vehicle`: model, platform, make, years apart."""

from __future__ import annotations

from casebase.match.facet import UNKNOWN, Compared
from casebase.match.profile import Profile
from casebase.match.rarity import Rarity
from casebase.record.vehicle_likeness import VehicleIdentity, vehicle_likeness


def compare_vehicles(job: Profile, past: Profile, rarity: Rarity) -> Compared:
    """Compare the vehicles of two cases as far as their wiring goes."""
    found = vehicle_likeness(_identity(job), _identity(past))
    if found.value is None:
        return UNKNOWN
    return Compared(found.value, found.share_known, found.agree, found.differ)


def _identity(profile: Profile) -> VehicleIdentity:
    return VehicleIdentity(profile.make, profile.model, profile.platform, profile.model_year)
