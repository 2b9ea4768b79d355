"""What must hold between the parts of a record; each breach is a problem with the path of its field."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from typing import Final

from casebase.errors import Problem
from casebase.record.case import Case
from casebase.record.reading import Reading, Waveform
from casebase.record.vocabulary import LINES_OF_MEDIUM, POWER_LINES, Kind, Line


def inconsistencies(case: Case) -> list[Problem]:
    """Return everything in `case` whose parts contradict each other."""
    return [problem for check in _CHECKS for problem in check(case)]


def _known_good_has_no_repair(case: Case) -> Iterator[Problem]:
    if case.kind is not Kind.KNOWN_GOOD:
        return
    for key in ("cause", "fix", "verification"):
        if getattr(case, key) is not None:
            yield Problem(key, "", f"a known good record has no {key}: leave it out, or use kind: fault case")
    if not case.readings:
        yield Problem("readings", "", "a known good record is kept for its readings: expected at least one")


def _fault_case_says_something(case: Case) -> Iterator[Problem]:
    told = (case.concern, case.symptoms, case.lamps, case.modules, case.codes, case.readings)
    if case.kind is Kind.FAULT_CASE and not any(told):
        yield Problem(
            "concern",
            "",
            "an empty case: expected a concern, a symptom, a lamp, a module, a code or a reading at least",
        )


def _names_are_given_once(case: Case) -> Iterator[Problem]:
    for key, names in (
        ("networks", [network.name for network in case.networks]),
        ("modules", [module.name for module in case.modules]),
    ):
        for name, times in Counter(names).items():
            if times > 1:
                yield Problem(key, f"'{name}'", f"given {times} times: expected each name once")


def _networks_named_are_listed(case: Case) -> Iterator[Problem]:
    known = [network.name for network in case.networks]
    for field, name in _networks_named(case):
        if name not in known:
            close = get_close_matches(name, known, n=1)
            yield Problem(
                field,
                f"'{name}'",
                f"no such network under networks: expected one of {', '.join(known) or '(none is listed)'}",
                suggestion=close[0] if close else None,
            )


def _networks_named(case: Case) -> Iterator[tuple[str, str]]:
    for index, module in enumerate(case.modules):
        if module.network:
            yield f"modules[{index}].network", module.network
    for index, reading in enumerate(case.readings):
        if reading.network:
            yield f"readings[{index}].network", reading.network
    if case.cause and case.cause.network:
        yield "cause.network", case.cause.network


def _lines_suit_the_medium(case: Case) -> Iterator[Problem]:
    for index, reading in enumerate(case.readings):
        network = case.network_of(reading.network)
        if network is None:
            continue
        allowed = (*LINES_OF_MEDIUM[network.medium], *POWER_LINES)
        for line, key in _where_lines_stand(reading).items():
            if line not in allowed:
                yield Problem(
                    f"readings[{index}].{key}",
                    f"'{line}'",
                    f"{network.medium} has no such line: expected one of {', '.join(allowed)}",
                )


def _where_lines_stand(reading: Reading) -> dict[Line, str]:
    """Return every line that `reading` speaks of, with the key under which it stands."""
    levels = reading.waveform or Waveform()
    stands = {line: f"waveform.{key}" for key in ("dominant", "recessive") for line in getattr(levels, key)}
    return stands | {
        line: key for key, line in (("against", reading.against), ("line", reading.line)) if line is not None
    }


def _dates_run_forward(case: Case) -> Iterator[Problem]:
    opened, ended = case.provenance.opened, case.provenance.ended
    if opened and ended and ended < opened:
        yield Problem(
            "provenance.ended", str(ended), f"lies before opened ({opened}): expected the later date"
        )


_CHECKS: Final[tuple[Callable[[Case], Iterator[Problem]], ...]] = (
    _known_good_has_no_repair,
    _fault_case_says_something,
    _names_are_given_once,
    _networks_named_are_listed,
    _lines_suit_the_medium,
    _dates_run_forward,
)
