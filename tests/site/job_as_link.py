"""A job written as a link: what was known before the repair, as far as the form of a stuck job goes.

The site only reads such links; tests and benches write them, to ask with whole cases.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from casebase.record.case import Case, CodeEntry, Network
from casebase.record.fields import LONGEST_TEXT
from casebase.record.reading import Reading
from casebase.record.vocabulary import Answers, Battery, Ignition, Medium, Quantity, Stage, Tester
from casebase.site.job_fields import MOST_CODES, Entry, TypedCodes, entry_of, read_codes
from casebase.site.job_link import MODULE_FIELDS, NETWORK_FIELDS, NOT_SAID, VEHICLE_FIELDS
from casebase.site.job_readings import MOST_READINGS, Choice, choices_of, default_state

LONGEST_STORY: Final = 4000
"""Characters of the story that a link carries: even percent-encoded they fit the address."""

_NEEDS_QUOTES: Final = re.compile(r"[,;\"]")


def query_of(case: Case) -> list[tuple[str, str]]:
    """Return the pairs of a link that asks with this job: what was known before the repair, as far as the form goes.

    Left out: steps, notes, pins, cause and fix, a second network, and readings that no row can hold.
    """
    network = _network_asked(case)
    pairs = [
        *_vehicle_pairs(case),
        *(_network_pairs(network) if network else []),
        *(("lamps", str(lamp)) for lamp in case.lamps),
        *(("conditions", str(condition)) for condition in case.conditions),
        *((field, _modules_text(case, answers)) for field, answers in MODULE_FIELDS.items()),
        ("codes", codes_text(case.codes)),
        ("wrong", _story(case)),
        *rows_of(_readings_asked(case, network), network.medium if network else None),
    ]
    return [(field, text) for field, text in pairs if text]


def readings_left_out(case: Case) -> list[Reading]:
    """Return the readings taken before the repair that a link to this job cannot carry."""
    network = _network_asked(case)
    medium = network.medium if network else None
    asked = [reading for reading in _readings_asked(case, network) if has_choice(reading, medium)]
    return [reading for reading in _before_the_repair(case) if reading not in asked]


def _vehicle_pairs(case: Case) -> list[tuple[str, str]]:
    texts = [(field, getattr(case.vehicle, key)) for field, key in VEHICLE_FIELDS.items()]
    return [(field, str(text)) for field, text in texts if text not in (None, NOT_SAID)]


def _network_pairs(network: Network) -> list[tuple[str, str]]:
    texts = [(field, getattr(network, key)) for field, key in NETWORK_FIELDS.items()]
    return [
        ("medium", str(network.medium)),
        *((field, str(text)) for field, text in texts if text is not None),
        ("terminators", names_text(network.terminators_in)),
    ]


def _modules_text(case: Case, answers: Answers) -> str:
    return names_text(module.name for module in case.modules if module.answers is answers)


def _story(case: Case) -> str:
    # What was left over once the cause was found would give the cause away.
    left = None if case.cause else case.leftover
    told = "\n".join(text for text in (case.concern, *case.symptoms, left) if text)
    return told[: min(LONGEST_STORY, LONGEST_TEXT)]


def _before_the_repair(case: Case) -> list[Reading]:
    return [reading for reading in case.readings if reading.stage is not Stage.AFTER_REPAIR]


def _network_asked(case: Case) -> Network | None:
    """Return the network most of the readings were taken on; else that of the cause, else the first."""
    read_on = [case.network_of(reading.network) for reading in _before_the_repair(case)]
    of_cause = case.network_of(case.cause.network) if case.cause else None
    by_readings = sorted(case.networks, key=lambda network: (-read_on.count(network), network != of_cause))
    return by_readings[0] if by_readings else None


def _readings_asked(case: Case, network: Network | None) -> list[Reading]:
    before = _before_the_repair(case)
    return [reading for reading in before if case.network_of(reading.network) == network]


def names_text(names: Iterable[str]) -> str:
    """Return names as one text that `names_in` reads.

    >>> names_text(["ABS", "door module, left"])
    'ABS, "door module, left"'
    """
    return ", ".join(_quoted(name) if _NEEDS_QUOTES.search(name) else name for name in names)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', "'") + '"'


def codes_text(entries: Iterable[CodeEntry]) -> str:
    """Return codes as a text that reads back as the same modules, codes and statuses."""
    wanted = [entry_of(one.module, one.code, one.status) for one in entries][:MOST_CODES]
    for write in (_as_scan_line, _as_barred_row):
        text = "\n".join(write(entry) for entry in wanted)
        if read_codes(text) == TypedCodes(wanted):
            return text
    return text


def _as_scan_line(entry: Entry) -> str:
    module = f"{entry['module']}: " if "module" in entry else ""
    return f"{module}{entry['code']} {entry.get('status', '')}".strip()


def _as_barred_row(entry: Entry) -> str:
    cells = (entry.get(key, "").replace("|", "/") for key in ("module", "code", "status"))
    return " | ".join(cells)


def rows_of(readings: list[Reading], medium: Medium | None) -> list[tuple[str, str]]:
    """Return the rows that hold `readings`; what the form has no choice for is left out."""
    held = [reading for reading in readings if _choice_of(reading, medium)][:MOST_READINGS]
    return [
        (f"r{row}.{name}", typed)
        for row, reading in enumerate(held, start=1)
        for name, typed in _row(reading, medium)
    ]


def has_choice(reading: Reading, medium: Medium | None) -> bool:
    """Return whether a row can hold `reading`."""
    return _choice_of(reading, medium) is not None


def _choice_of(reading: Reading, medium: Medium | None) -> Choice | None:
    return next((choice for choice in choices_of(medium) if _is_of(choice, reading)), None)


def _is_of(choice: Choice, reading: Reading) -> bool:
    """Return whether `reading` is of a kind; ohms read the same either way round."""
    leads, theirs = (choice.line, choice.against), (reading.line, reading.against)
    same = leads == theirs or (choice.quantity is Quantity.RESISTANCE and leads == theirs[::-1])
    return choice.quantity is reading.quantity and same


def _row(reading: Reading, medium: Medium | None) -> list[tuple[str, str]]:
    choice = _choice_of(reading, medium)
    state = state_of(reading)
    row = [
        ("what", choice.key if choice else ""),
        ("value", "" if reading.value is None else str(reading.value)),
        ("at", "" if reading.at == "DLC" else reading.at),
        ("state", "" if state == default_state(reading.quantity) else state),
        ("unplugged", "" if reading.unplugged is None else names_text(reading.unplugged) or "nothing"),
        *_seen(reading),
    ]
    return [(name, typed) for name, typed in row if typed]


def _seen(reading: Reading) -> list[tuple[str, str]]:
    seen = reading.waveform
    if seen is None:
        return []
    return [("traffic", str(seen.traffic or "")), *(("looks", str(look)) for look in seen.looks)]


def state_of(reading: Reading) -> str:
    """Return the key of the state nearest to that of `reading`; a tester is kept only with the ignition on."""
    if reading.battery is Battery.DISCONNECTED:
        return "off"
    if reading.ignition is Ignition.ON:
        return {Tester.SILENT: "quiet", Tester.TALKING: "talking", None: "on"}[reading.tester]
    of_ignition = {
        Ignition.OFF: "key-off",
        Ignition.RUNNING: "running",
        Ignition.CRANKING: "cranking",
        None: "unknown",
    }
    return of_ignition[reading.ignition]
