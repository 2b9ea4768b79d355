"""What a record leaves unsaid and its own words tell: networks of readings, and trials as readings of the fault.

The record itself stays as it was written; `with_networks` returns a copy to compute and compare with, and whoever uses
it says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from casebase.record.case import Case, Network
from casebase.record.modules import module_identity, module_key, modules_named_in
from casebase.record.reading import Reading, place_kind
from casebase.record.reading_value import Comparison
from casebase.record.trial import FITTED, Outcome, Trial, TrialAction
from casebase.record.trouble_code import Grammar
from casebase.record.vocabulary import (
    LINES_OF_MEDIUM,
    OTHER_LINES,
    POWER_LINES,
    Line,
    Medium,
    Quantity,
    Reached,
    Stage,
    YesNo,
)

_PAIR: Final = frozenset({Line.CAN_HIGH, Line.CAN_LOW})
_ONLY_OF: Final = {
    Line.CAN_SINGLE: Medium.SINGLE_WIRE_CAN,
    Line.LIN: Medium.LIN,
    Line.BUS_PLUS: Medium.FLEXRAY,
    Line.BUS_MINUS: Medium.FLEXRAY,
    Line.K_LINE: Medium.K_LINE,
    Line.L_LINE: Medium.K_LINE,
}
"""Lines that one medium alone has; CAN high and CAN low are of several."""


def with_networks(case: Case) -> Case:
    """Return the record with a network for every reading whose lines or place tell it."""
    return _filled(case)[0]


def taken_as(case: Case) -> list[str]:
    """Return a sentence for everything that `with_networks` adds; none where all of it was said."""
    return _filled(case)[1]


def _filled(case: Case) -> tuple[Case, list[str]]:
    if not case.networks:
        return _listed(case)
    if len(case.networks) == 1 or all(reading.network for reading in case.readings):
        return case, []
    readings, said = [], []
    for number, reading in enumerate(case.readings, 1):
        found = None if reading.network else _network_and_why(case, reading)
        if found is None:
            readings.append(reading)
        else:
            readings.append(reading.model_copy(update={"network": found[0].name}))
            said.append(f"Reading {number}, {reading.what()}: taken as of {found[0].name}, {found[1]}.")
    return case.model_copy(update={"readings": readings}), said


def _listed(case: Case) -> tuple[Case, list[str]]:
    """Return the record with the networks that the lines of its readings name."""
    media: dict[Medium, Line] = {}
    for line in (line for reading in case.readings for line in reading.lines):
        medium = _pair_medium(case) if line in _PAIR else _ONLY_OF.get(line)
        if medium is not None:
            media.setdefault(medium, line)
    names = ["the network"] if len(media) == 1 else [f"the {medium}" for medium in media]
    networks = [Network(name=name, medium=medium) for name, medium in zip(names, media, strict=True)]
    filled = case.model_copy(update={"networks": networks})
    said = [f"Network not stated: taken as {medium}, {_why(medium, line)}." for medium, line in media.items()]
    return (_filled(filled)[0] if len(networks) > 1 else filled), said


def _why(medium: Medium, line: Line) -> str:
    if medium is Medium.J1939:
        return f"for {line} was read and codes are suspect parameters; say so if it is another"
    return f"for {line} was read" + ("; say so if it is another" if line in _PAIR else "")


def _pair_medium(case: Case) -> Medium:
    """Return the usual medium of CAN high and CAN low: J1939 where suspect parameters are stored (SAE J1939-73)."""
    suspect = any(entry.code.grammar is Grammar.SPN_FMI for entry in case.codes)
    return Medium.J1939 if suspect else Medium.HIGH_SPEED_CAN


def _network_and_why(case: Case, reading: Reading) -> tuple[Network, str] | None:
    """Return the network that a reading was taken on, by its lines, else by its place, and why; None where open."""
    lines: set[Line] = set(reading.lines) - {*POWER_LINES, *OTHER_LINES}
    if not lines:
        return None
    fitting = [network for network in case.networks if lines <= set(LINES_OF_MEDIUM[network.medium])]
    if len(fitting) == 1:
        return fitting[0], f"the only one with {_in_words(lines)}"
    for networks, why in _by_place(case, reading):
        found = [network for network in fitting if network.name in networks]
        if len(found) == 1:
            return found[0], why
    return None


def _in_words(lines: set[Line]) -> str:
    return " and ".join(line for line in Line if line in lines)


def _by_place(case: Case, reading: Reading) -> Iterator[tuple[set[str], str]]:
    """Yield (names of networks, why) that the place of a reading tells, the surest first."""
    if place_kind(reading.at) == "DLC":
        reached = {network.name for network in case.networks if network.reached is Reached.DIRECTLY}
        yield reached, "the only one that the DLC reaches directly"
        return
    named = {found.key for found in modules_named_in(reading.at, strict=False)}
    on = {module.network for module in case.modules if module_identity(module.name) in named}
    yield {name for name in on if name}, f"which the module at {reading.at} is on"
    holds = {
        network.name for network in case.networks if named & set(map(module_identity, network.terminators_in))
    }
    yield holds, f"whose terminator is at {reading.at}"


_STAYED: Final = (Outcome.NO_CHANGE, Outcome.CAME_BACK)
_WENT: Final = (Outcome.GONE, Outcome.RESTORED)


def fault_readings(case: Case, network: Network) -> list[Reading]:
    """Return what trials on modules of a network tell of the fault, as readings of whether it is gone.

    Of several modules at once only that nothing changed tells of each. A part that was used or not configured may be
    bad itself, and tells nothing.
    """
    return [
        Reading.model_validate(
            {
                "quantity": Quantity.FAULT,
                "network": network.name,
                "stage": Stage.ISOLATION,
                key: [name],
                "value": value,
            }
        )
        for trial in case.trials
        for key, value in told_of_the_fault(trial)
        for name in trial.what
        if module_key(name) and _is_on(case, name, network)
    ]


def told_of_the_fault(trial: Trial) -> Iterator[tuple[str, Comparison]]:
    """Yield how a reading says what was done, and what became of the fault; nothing where it tells neither."""
    in_doubt = trial.used_part is YesNo.YES or trial.configured is YesNo.NO
    if trial.did in FITTED and not in_doubt:
        key = "swapped"
    elif trial.did is TrialAction.UNPLUGGED and trial.outcome is not Outcome.CAME_BACK:
        key = "unplugged"
    else:
        return
    if trial.outcome in _STAYED:
        yield key, Comparison.UNCHANGED
    elif trial.outcome in _WENT and len(trial.what) == 1:
        yield key, Comparison.GONE


def _is_on(case: Case, name: str, network: Network) -> bool:
    """Return whether a module is said to be on a network; on the only one without being said."""
    if len(case.networks) == 1:
        return True
    return any(
        module.network == network.name and module_identity(module.name) == module_identity(name)
        for module in case.modules
    )
