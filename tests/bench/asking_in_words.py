"""How much of messages is understood: `python tests/bench/asking_in_words.py [first second third] [-v]`.

The messages in `tests/intake/messages` were written, with what a person reads in them, before their reader. The
third file is asked once, when the reader is finished.
"""

from __future__ import annotations

import sys
import time

from message_scores import Counts, count_readings, messages

from casebase.intake.plain_words.message import Understood, understood_from
from casebase.intake.trial_text import read_trial
from casebase.record.codes import parse_code
from casebase.record.modules import module_identity
from casebase.record.trial import Trial

VEHICLES = (
    ("Tessaro", "Velin"), ("Tessaro", "Mirelle"), ("Tessaro", "Ondine"), ("Norrvik", "Skarn"), ("Norrvik", "Havik"),
    ("Norrvik", "Fjellet"), ("Maruvo", "Solenne"), ("Maruvo", "Pavane"), ("Caldermoor", "Thorne"),
    ("Caldermoor", "Brack"), ("Oskarn", "H18"), ("Oskarn", "H12"), ("Oskarn", "Linje"), ("Fenwright", "Delver"),
)  # fmt: skip
KINDS = (
    "readings",
    "codes",
    "silent",
    "answers",
    "lamps",
    "conditions",
    "trials",
    "vehicle",
    "medium",
    "waveforms",
)


def scores(*files: str) -> dict[str, Counts]:
    """Return the counts of each kind over the messages of some files."""
    counts = {kind: Counts() for kind in KINDS}
    for entry in messages(*files):
        text = entry["text"]
        understood = understood_from(text, VEHICLES)
        wanted_readings = entry.get("readings", [])
        got = [item.data for item in understood.of("readings")]
        count_readings(
            counts["readings"],
            [data for data in got if data["quantity"] != "waveform"],
            [short for short in wanted_readings if not short.startswith("scope")],
            text,
        )
        scopes = [short for short in wanted_readings if short.startswith("scope")]
        counts["waveforms"].count(
            ["scope" for data in got if data["quantity"] == "waveform"], ["scope" for _ in scopes], text
        )
        _count_codes_and_modules(counts, understood, entry)
        for kind in ("lamps", "conditions"):
            counts[kind].count([item.data for item in understood.of(kind)], entry.get(kind, []), text)
        trials = [Trial.model_validate(item.data) for item in understood.of("trials")]
        counts["trials"].count(
            list(map(_trial, trials)), [_trial(read_trial(line)) for line in entry.get("trials", [])], text
        )
        vehicle = [f"{key} {value}" for item in understood.of("vehicle") for key, value in item.data.items()]
        wanted = [f"{key} {value}" for key, value in entry.get("vehicle", {}).items()]
        given_make = [one for one in vehicle if not one.startswith("make") or one in wanted]
        counts["vehicle"].count(given_make, wanted, text)
        said = [item.data for item in understood.of("medium") if not item.assumed]
        counts["medium"].count(
            said[:1] if entry.get("medium") else said,
            [entry["medium"]] if entry.get("medium") else said if said == ["J1939"] else [],
            text,
        )
    return counts


def _count_codes_and_modules(counts: dict[str, Counts], understood: Understood, entry: dict) -> None:  # type: ignore[type-arg]
    text = entry["text"]
    codes = {
        f"{item.data['code'].split(' OC')[0]} {_module(item.data.get('module'))}"
        for item in understood.of("codes")
    }
    counts["codes"].count(sorted(codes), [_expected_code(short) for short in entry.get("codes", [])], text)
    for kind in ("silent", "answers"):
        counts[kind].count(
            [module_identity(item.data) for item in understood.of(kind)],
            [module_identity(name) for name in entry.get(kind, [])],
            text,
        )


def _module(name: str | None) -> str:
    return module_identity(name) if name else "-"


def _expected_code(short: str) -> str:
    parts = short.split(" ")
    length = 4 if parts[0] == "SPN" else 1
    return f"{parse_code(' '.join(parts[:length])).text} {_module(' '.join(parts[length:]))}"


def _trial(trial: Trial) -> str:
    return f"{trial.did} {', '.join(map(module_identity, trial.what))}: {trial.outcome}"


def main() -> None:
    """Print the shares, and with -v what was taken wrongly or missed."""
    files = [name for name in sys.argv[1:] if not name.startswith("-")] or ["first", "second"]
    start = time.perf_counter()
    counts = scores(*files)
    print(f"{len(messages(*files))} messages in {time.perf_counter() - start:.2f} s")
    for kind, told in counts.items():
        print(f"{kind:10} {told}")
        for label, listed in (("taken", told.wrong), ("missed", told.missed)):
            for one in listed if "-v" in sys.argv or f"-{kind}" in sys.argv else []:
                print(f"    {label}: {one}")


if __name__ == "__main__":
    main()
