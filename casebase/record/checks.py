"""How the parts of a record fit together: contradictions refuse it, remarks ask for a second look.

Both name the path of the field that they are about.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from typing import Final

from casebase.errors import Problem
from casebase.record.case import Case, missing_for_verified
from casebase.record.inference import taken_as, with_networks
from casebase.record.reading import Reading, Waveform
from casebase.record.reading_value import NEEDS_AN_EARLIER_READING, Comparison
from casebase.record.trial import Outcome
from casebase.record.vehicle import model_year_remark, vin_remark
from casebase.record.vocabulary import (
    BUS_SUPPLIED,
    LINES_OF_MEDIUM,
    OTHER_LINES,
    POWER_LINES,
    Battery,
    Kind,
    Line,
    Quantity,
)


def inconsistencies(case: Case) -> list[Problem]:
    """Return everything in `case` whose parts contradict each other."""
    return [problem for check in _CHECKS for problem in check(case)]


def _known_good_has_no_repair(case: Case) -> Iterator[Problem]:
    if case.kind is not Kind.KNOWN_GOOD:
        return
    for key in ("cause", "more_causes", "fix", "verification"):
        if getattr(case, key):
            yield Problem(key, "", f"a known good record has no {key}: leave it out, or use kind: fault case")
    if not case.readings:
        yield Problem("readings", "", "a known good record is kept for its readings: expected at least one")
    if case.trials:
        yield Problem(
            "trials",
            "",
            "on a known good vehicle nothing is tried: leave trials out, or use kind: fault case",
        )


def _fault_case_says_something(case: Case) -> Iterator[Problem]:
    found = (case.concern, case.symptoms, case.lamps, case.modules, case.codes, case.readings)
    if case.kind is Kind.FAULT_CASE and not any(found):
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
    named = [(f"modules[{index}].network", module.network) for index, module in enumerate(case.modules)]
    named += [(f"readings[{index}].network", reading.network) for index, reading in enumerate(case.readings)]
    named += [("cause.network", case.cause.network)] if case.cause else []
    named += [
        (f"more_causes[{index}].network", cause.network) for index, cause in enumerate(case.more_causes)
    ]
    for field, name in named:
        if name and name not in known:
            close = get_close_matches(name, known, n=1)
            yield Problem(
                field,
                f"'{name}'",
                f"no such network under networks: expected one of {', '.join(known) or '(none is listed)'}",
                suggestion=close[0] if close else None,
            )


def _lines_suit_the_medium(case: Case) -> Iterator[Problem]:
    for index, reading in enumerate(case.readings):
        network = case.network_of(reading.network)
        if network is None:
            continue
        allowed = (*LINES_OF_MEDIUM[network.medium], *POWER_LINES, *OTHER_LINES)
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


def _the_first_cause_is_the_cause(case: Case) -> Iterator[Problem]:
    if case.more_causes and case.cause is None:
        yield Problem("more_causes", "", "there is no cause yet: expected the first one under cause")


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
    _the_first_cause_is_the_cause,
    _dates_run_forward,
)


def remarks_on(case: Case) -> list[str]:
    """Return every remark on `case`, in the order of the record."""
    return [remark for check in _REMARKS for remark in check(case)]


def earlier_reading(case: Case, index: int) -> Reading | None:
    """Return the last reading before `index` of the same quantity, lines and place: what `unchanged` refers to."""
    measured = _what_is_measured(case, case.readings[index])
    for earlier in reversed(case.readings[:index]):
        if _what_is_measured(case, earlier) == measured and not isinstance(earlier.value, Comparison):
            return earlier
    return None


def _what_is_measured(case: Case, reading: Reading) -> tuple[object, ...]:
    # The only network may be named in one reading and left out in the next.
    network = case.network_of(reading.network)
    return network, reading.quantity, reading.line, reading.against, reading.at


def _vin_fits(case: Case) -> Iterator[str]:
    vehicle = case.vehicle
    if vehicle.vin:
        found = (vin_remark(vehicle.vin, vehicle.market), model_year_remark(vehicle.vin, vehicle.model_year))
        yield from (f"vehicle.vin: {remark}" for remark in found if remark)


def _readings_are_whole(case: Case) -> Iterator[str]:
    for index, reading in enumerate(case.readings):
        where = f"readings[{index}]"
        if reading.unknown_state:
            keys = ", ".join(reading.unknown_state)
            yield f"{where}: {keys} not stated; kept, and counts as less certain"
        off = reading.battery is Battery.DISCONNECTED
        live = reading.battery is Battery.CONNECTED or reading.ignition in BUS_SUPPLIED
        if reading.is_below_zero_ohms:
            yield f"{where}: ohms below zero: there is a voltage on the wire; measure volts, then ohms again"
        if reading.quantity is Quantity.RESISTANCE and live and not off:
            yield f"{where}: ohms read on a live circuit mean nothing: disconnect the battery and read again"
        compared = reading.value in NEEDS_AN_EARLIER_READING and reading.quantity is not Quantity.FAULT
        if compared and earlier_reading(case, index) is None:
            yield f"{where}: '{reading.value}' has no earlier reading of the same kind before it"


def _readings_name_their_network(case: Case) -> Iterator[str]:
    yield from taken_as(case)
    if len(case.networks) > 1:
        for index, reading in enumerate(with_networks(case).readings):
            if reading.network is None:
                yield f"readings[{index}]: network not stated although the record lists {len(case.networks)}"


def _repair_is_proven(case: Case) -> Iterator[str]:
    if case.kind is Kind.FAULT_CASE and case.fix is not None:
        yield from (f"not verified yet; still needed: {words}" for words in missing_for_verified(case))


def _trials_say_what_followed(case: Case) -> Iterator[str]:
    for index, trial in enumerate(case.trials):
        if trial.outcome is Outcome.UNKNOWN:
            yield f"trials[{index}]: outcome not stated ({trial.line()}); kept, and counts for nothing"


_REMARKS: Final[tuple[Callable[[Case], Iterator[str]], ...]] = (
    _vin_fits,
    _readings_are_whole,
    _readings_name_their_network,
    _trials_say_what_followed,
    _repair_is_proven,
)
