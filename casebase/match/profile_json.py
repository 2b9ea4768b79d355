"""Profiles as plain data for JSON, and back."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Final

from casebase.match.profile import Profile
from casebase.match.traits import CodeTrait, NetworkTrait, ReadingTrait


def to_data(profile: Profile) -> dict[str, Any]:
    """Return a profile as plain data for JSON."""
    # dataclasses.asdict copies every string deeply; a library of thousands feels it.
    data = {key: value for key, value in _fields_of(profile).items() if key not in _FILLED_IN}
    for key in ("codes", "networks", "readings"):
        data[key] = [_fields_of(trait) for trait in data[key]]
    return data


_FILLED_IN: Final = ("meaning", "host", "vector", "trust", "sent_by")


def _fields_of(instance: Any) -> dict[str, Any]:
    return {each.name: getattr(instance, each.name) for each in fields(instance)}


def from_data(data: dict[str, Any]) -> Profile:
    """Return the profile that `to_data` gave."""
    told: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in data.items()
    }
    told["codes"] = tuple(CodeTrait(**code) for code in data["codes"])
    told["networks"] = tuple(NetworkTrait(**network) for network in data["networks"])
    told["readings"] = tuple(_reading_from(reading) for reading in data["readings"])
    return Profile(**told)


def _reading_from(data: dict[str, Any]) -> ReadingTrait:
    unplugged = data["unplugged"]
    return ReadingTrait(
        **{
            **data,
            "lines": tuple(data["lines"]),
            "looks": tuple(data["looks"]),
            "measured": tuple((name, number) for name, number in data["measured"]),
            "unplugged": None if unplugged is None else tuple(unplugged),
        }
    )
