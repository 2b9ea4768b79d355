"""The state of the vehicle while a reading was taken: in words, and what was unplugged as typed."""

from __future__ import annotations

from typing import Any, Final

from casebase.intake.answers import check_field
from casebase.record.vocabulary import Stage

Data = dict[str, Any]

STATE_KEYS: Final = ("ignition", "battery", "unplugged", "tester", "stage")


def state_in_words(reading: Data) -> str:
    """Return the state that the plain data of a reading tells."""
    unplugged = unplugged_text(reading)
    told = [
        f"{name} {reading[key]}"
        for key, name in (("ignition", "ignition"), ("battery", "battery"), ("tester", "tester"))
        if key in reading
    ]
    told += [f"{unplugged} unplugged"] if unplugged else []
    told += [str(reading["stage"])] if reading.get("stage") == Stage.ISOLATION else []
    return ", ".join(told) or "not stated"


def unplugged_text(reading: Data) -> str | None:
    """Return what was unplugged as it is typed; None where it is not known."""
    unplugged = reading.get("unplugged")
    return ", ".join(unplugged) or "nothing" if isinstance(unplugged, list) else unplugged


def read_unplugged(text: str) -> str | list[str]:
    """Return the names typed, or the word nothing; raises `InputError` for what is no name."""
    if text.casefold() in {"nothing", "none", "no"}:
        return "nothing"
    names = [name.strip() for name in text.replace(";", ",").split(",") if name.strip()]
    check_field("readings[0].unplugged", names)
    return names
