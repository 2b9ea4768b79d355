"""Where, by whom and with what readings are taken, and what is stated of the state they are taken in."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random
from typing import Any

from synthetic_faults import Spot
from synthetic_people import Author
from synthetic_topology import NetworkPlan
from written_readings import Meter

Row = dict[str, Any]


@dataclass(frozen=True)
class Bench:
    """Where, by whom and with what readings are taken. `named`: what its author calls each module."""

    network: NetworkPlan
    spot: Spot | None
    author: Author
    named: dict[str, str]
    meter: Meter
    chance: Random
    network_key: Row

    @property
    def at(self) -> str:
        """The place of the readings that need nothing unplugged."""
        if not self.network.behind_gateway:
            return "DLC"
        return f"connector of {self.named[self.network.measured_beside]}"

    def stated(self, **state: object) -> Row:
        """Return those parts of the state that this author writes down."""
        return {
            key: value for key, value in state.items() if self.chance.random() < 0.4 + 0.6 * self.author.care
        }

    def place(self) -> Row:
        """Return where a reading is taken that needs nothing unplugged."""
        return {"at": self.at, **self.network_key}

    def powered(self, unplugged: object = "nothing") -> Row:
        """Return what is stated of a reading with the ignition on."""
        ignition = "running" if self.chance.random() < 0.15 else "on"
        # Between DLC and gateway all is quiet until a tester asks, so careful people say whether one did.
        asked = {"tester": "silent"} if len(self.network.modules) == 1 else {}
        return self.stated(ignition=ignition, battery="connected", unplugged=unplugged, **asked)

    def unpowered(self, unplugged: object = "nothing") -> Row:
        """Return what is stated of a reading with the battery off."""
        return self.stated(ignition="off", battery="disconnected", unplugged=unplugged)
