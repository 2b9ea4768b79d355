"""How much of messages is understood: `python tests/bench/asking_in_words.py [first ... twelfth] [-v]`.

The messages in `tests/intake/messages` were written, with what a person reads in them, before their reader. The third
file was asked once, when the reader was finished; each later one, of other voices and traps, when it was changed next.
`speed` tells how long a message takes from Enter to its answer in a process of its own, and how long texts of a million
characters take to read.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

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
DEMO = Path(__file__).parents[2] / "demo_cases"
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


MESSAGE = "119 ohm 6 to 14, H 2.6 L 2.4, U0101 from ECM and ABS, no comms with TCM, swapped TCM no change"
WITH_STORY = f"{MESSAGE}, customer says it only happens in the rain"
"""What a story means is compared by the text model, which is opened for it."""

HOSTILE = (
    "60 ohm ", "H 2.6 L 2.4 ", "U0101 from ECM ", "U0101-00 Lost communication with ABS\n", "ECM:\n", "six ", "ABS ",
    "no comms with ABS and ", "swapped TCM no change, ", "abs esc ", "one hundred and ", "\n", "1", "-",
    "ECM - Engine\n  U0121-00 x\n",
)  # fmt: skip


def print_speed() -> None:
    """Print the seconds from Enter to the answer, and those of texts that are no messages."""
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / "shop.db"
        command = [sys.executable, "-m", "casebase"]
        subprocess.run(
            [*command, "log", str(DEMO), "--library", str(library)], capture_output=True, check=True
        )
        job = str(next((DEMO / "jobs").glob("t2-*.yaml")))
        for name, words in (
            ("ask", ["ask", MESSAGE]),
            ("ask with a story", ["ask", WITH_STORY]),
            ("similar", ["similar", job]),
            ("--help", ["--help"]),
        ):
            asked = [*command, *words, *([] if name == "--help" else ["--library", str(library)])]
            took = [_seconds(asked, Path(folder)) for _ in range(6)][1:]
            print(f"{name}: best of 5 {min(took)[0]:.2f} s, of which computing {min(took)[1]:.2f} s")
    for piece in HOSTILE:
        start = time.process_time()
        understood_from(piece * (1_000_000 // len(piece)))
        print(f"{piece[:24]!r} over and over, 1 MB: {time.process_time() - start:.2f} s of computing")


def _seconds(command: list[str], folder: Path) -> tuple[float, float]:
    """Return the seconds that a command takes, and those of them that it computes.

    Its modules are kept compiled in `folder`, as they are where casebase is installed.
    """
    compiled = os.environ | {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": str(folder / "compiled")}
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(command, capture_output=True, check=True, env=compiled)
    took, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the shares, and with -v what was taken wrongly or missed; or the seconds."""
    if sys.argv[1:] == ["speed"]:
        print_speed()
        return
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
