"""What was read out of messages against what a person reads in them: shorthand of the expected, matches, shares.

A reading counts as right if quantity, lines and value are, and of place, state and unplugged whatever is expected.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from casebase.record.modules import module_identity
from casebase.record.reading import Reading

MESSAGES = Path(__file__).parent.parent / "intake" / "messages"
LINES = {
    "H": "CAN high", "L": "CAN low", "LIN": "LIN", "SW": "CAN single wire", "BP": "bus plus", "BM": "bus minus",
    "K": "K-line", "gnd": "ground", "B+": "battery +", "B-": "battery -", "sup": "supply", "5V": "5 V supply",
}  # fmt: skip
STATES = {
    "off": ("battery", "disconnected"),
    "on": ("ignition", "on"),
    "key off": ("ignition", "off"),
    "run": ("ignition", "running"),
    "crank": ("ignition", "cranking"),
    "loaded": ("loaded", "yes"),
}


def messages(*files: str) -> list[dict[str, Any]]:
    """Return the messages of the files `first` to `twelfth`."""
    yaml = YAML(typ="safe")
    return [entry for file in files for entry in yaml.load(MESSAGES / f"{file}.yaml")]


@dataclass
class Counts:
    """How many were right, taken wrongly, and missed, with the last two in words."""

    right: int = 0
    wrong: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    @property
    def precision(self) -> float:
        """The share right of what was taken."""
        return self.right / max(self.right + len(self.wrong), 1)

    @property
    def recall(self) -> float:
        """The share found of what there was."""
        return self.right / max(self.right + len(self.missed), 1)

    def count(self, got: list[Any], wanted: list[Any], text: str) -> None:
        """Count plain things, each as often as it stands there."""
        have, want = Counter(map(str, got)), Counter(map(str, wanted))
        self.right += (have & want).total()
        self.wrong += [f"{one}  <- {text[:160]}" for one in (have - want).elements()]
        self.missed += [f"{one}  <- {text[:160]}" for one in (want - have).elements()]

    def __str__(self) -> str:
        told = f"{self.right} right, {len(self.wrong)} wrong, {len(self.missed)} missed"
        return f"{told}: precision {self.precision:.3f}, recall {self.recall:.3f}"


def expected_reading(short: str) -> dict[str, Any]:
    """Return what a reading in shorthand says: `H/L 60 ohm @ DLC ; off`."""
    body, _, state = short.partition(" ;") if "; 1" not in short else (short, "", "")
    body, _, place = body.partition(" @ ")
    lines, _, value = body.partition(" ")
    ends = lines.split("/") if "/" in lines else lines.split(">")
    if lines == "scope":
        return {"quantity": "waveform", "told": value}
    quantity = "voltage" if value.endswith("V") else "AC voltage" if value.endswith(" VAC") else "resistance"
    data: dict[str, Any] = {"quantity": quantity, "lines": sorted({LINES[one] for one in ends})}
    data["value"] = str(
        Reading.model_validate(
            {"quantity": quantity, "line": "CAN high", "value": value.replace(" VAC", " V")}
        ).value
    )
    data |= {"at": place.strip()} if place else {}
    state = state.strip()
    if state.startswith("-"):
        data["unplugged"] = [module_identity(state[1:])]
    elif state:
        key, said = STATES[state]
        data[key] = said
    return data


def plain_reading(data: dict[str, Any]) -> dict[str, Any]:
    """Return a reading as it was understood, in the form of an expected one."""
    if data["quantity"] == "waveform":
        return {"quantity": "waveform"}
    reading = Reading.model_validate(data)
    told: dict[str, Any] = {"quantity": str(reading.quantity), "lines": sorted(map(str, reading.lines))}
    told |= {key: str(getattr(reading, key)) for key in ("at", "ignition", "battery", "loaded")}
    told["value"] = str(reading.value).split(" when ")[0].split(" if ")[0]
    told["unplugged"] = [module_identity(name) for name in reading.unplugged or []]
    return told


def fits(got: dict[str, Any], wanted: dict[str, Any]) -> bool:
    """Return whether a reading is the expected one."""
    return all(_same(key, got.get(key), value) for key, value in wanted.items() if key != "told")


def _same(key: str, got: Any, wanted: Any) -> bool:
    if key == "at" and got and wanted:
        return module_identity(got.removeprefix("connector of ")) == module_identity(
            wanted.removeprefix("connector of ")
        )
    return bool(got == wanted)


def count_readings(counts: Counts, got: list[dict[str, Any]], wanted: list[str], text: str) -> None:
    """Count the readings of one message."""
    left = [(short, expected_reading(short)) for short in wanted]
    for data in got:
        told = plain_reading(data)
        found = next((one for one in left if fits(told, one[1])), None)
        if found:
            left.remove(found)
            counts.right += 1
        else:
            counts.wrong.append(
                f"{ {k: v for k, v in told.items() if v not in ('None', [])} }  <- {text[:160]}"
            )
    counts.missed += [f"{short}  <- {text[:160]}" for short, _ in left]
