"""Invented logs as vehicles and loggers make them: events, testers, bursts, lossy loggers, jumps, key-off, and faults.

Every figure is invented (periods and habits common practice, no source). The truth of each log is known: which module
was taken off the bus for good or for a part of the time, or that nobody was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

PERIODS: Final = (0.01, 0.02, 0.02, 0.05, 0.1, 0.1, 0.2, 0.5, 1.0)
BEGIN: Final = 1_600_000_000.0
FAULTS: Final = ("none", "none", "none", "for good", "for good", "once", "again and again")
QUIRKS: Final = (
    "events",
    "tester",
    "bursts",
    "lossy logger",
    "drops of single frames",
    "clock back",
    "clock forward",
    "key off",
    "asleep",
    "key cycle",
    "start-up messages",
    "waking",
    "29 bits",
    "flood",
)

Generator = np.random.Generator


@dataclass
class Log:
    """One log and its truth. `sent`: per identifier its moments in seconds; `victim`: identifiers taken off."""

    seconds: float
    fault: str
    quirks: set[str]
    modules: dict[str, dict[int, float]] = field(default_factory=dict)
    extended: bool = False
    victim: str | None = None
    spans: list[tuple[float, float]] = field(default_factory=list)
    sent: dict[int, np.ndarray] = field(default_factory=dict)
    floods: bool = False

    @property
    def victim_identifiers(self) -> set[int]:
        """What the module that was taken off sends at a period."""
        return set(self.modules[self.victim]) if self.victim else set()


def log_of(seed: int) -> Log:
    """Return the log of a seed."""
    generator = np.random.default_rng([1979, seed])
    fault = str(generator.choice(FAULTS))
    quirks = {quirk for quirk in QUIRKS if generator.random() < (0.12 if quirk in _RARE else 0.35)}
    if {"key off", "asleep", "key cycle"} <= quirks:
        quirks.discard("key cycle")
    log = Log(float(generator.uniform(40, 120)), fault, quirks, extended="29 bits" in quirks)
    _modules(log, generator)
    for identifiers in log.modules.values():
        for identifier, period in identifiers.items():
            log.sent[identifier] = _periodic(log, period, generator)
    _off_and_on(log, generator)
    _fault(log, generator)
    for quirk, add in _SENDERS.items():
        if quirk in quirks:
            add(log, generator)
    _lost(log, generator)
    return log


_RARE: Final = ("flood", "clock back", "clock forward", "key cycle", "29 bits", "asleep")


def _modules(log: Log, generator: Generator) -> None:
    count = int(generator.integers(5, 12))
    numbers = generator.choice(np.arange(0x080, 0x6F0), 120, replace=False).tolist()
    for place in range(count):
        identifiers = {}
        for _ in range(int(generator.integers(1, 8))):
            identifier = numbers.pop()
            if log.extended:
                identifier = 0x18FE0000 | int(generator.integers(0x10, 0xEF)) << 8 | 0x10 + place
            identifiers[identifier] = float(generator.choice(PERIODS))
        log.modules[f"module {place}"] = identifiers


def _periodic(log: Log, period: float, generator: Generator) -> np.ndarray:
    moments = np.arange(generator.random() * period, log.seconds, period)
    late = generator.exponential(0.01 * period, len(moments)) + generator.random(len(moments)) * 0.0005
    return moments + late


def _without(moments: np.ndarray, spans: list[tuple[float, float]]) -> np.ndarray:
    kept = np.ones(len(moments), bool)
    for begin, end in spans:
        kept &= (moments < begin) | (moments >= end)
    return moments[kept]


def _off_and_on(log: Log, generator: Generator) -> None:
    """Let the ignition go off near the end or within the log, and modules wake one after the other at the beginning."""
    spans: dict[str, list[tuple[float, float]]] = {name: [] for name in log.modules}
    stays = set(generator.choice(list(log.modules), int(generator.integers(0, 3)), replace=False).tolist())
    off = log.seconds - float(generator.uniform(8, 14))
    for name, own in spans.items():
        runs_on = float(generator.gamma(2.0, 1.2))
        if "waking" in log.quirks:
            own.append((-1.0, float(generator.exponential(0.5))))
        if "asleep" in log.quirks:
            own.append((off + runs_on, log.seconds))
        elif "key off" in log.quirks and name not in stays:
            own.append((off + runs_on * 0.5, log.seconds))
        if "key cycle" in log.quirks and name not in stays:
            begin = log.seconds * 0.45
            own.append((begin + 0.5 * runs_on, begin + 6 + float(generator.exponential(0.4))))
    for name, identifiers in log.modules.items():
        for identifier in identifiers:
            log.sent[identifier] = _without(log.sent[identifier], spans[name])


def _fault(log: Log, generator: Generator) -> None:
    """Take one module off the bus while the others go on."""
    if log.fault == "none":
        return
    lasts = log.seconds - (16 if log.quirks & {"key off", "asleep"} else 0)
    begin = float(generator.uniform(0.2, 0.55)) * lasts
    if log.fault == "for good":
        log.spans = [(begin, log.seconds + 1)]
    elif log.fault == "once":
        log.spans = [(begin, begin + float(generator.uniform(4, 0.3 * lasts)))]
    else:
        at, count = 0.15 * lasts, int(generator.integers(2, 6))
        each = 0.75 * lasts / count
        for place in range(count):
            long = max(3.0, float(generator.uniform(0.15, 0.5)) * each)
            log.spans.append((at + place * each, at + place * each + min(long, 0.7 * each)))
    quick = [name for name, sent in log.modules.items() if min(sent.values()) <= 0.2]
    log.victim = str(generator.choice(quick or list(log.modules)))
    for identifier in log.victim_identifiers:
        log.sent[identifier] = _without(log.sent[identifier], log.spans)


def _free(log: Log, generator: Generator) -> int:
    while True:
        number = int(generator.integers(0x080, 0x6F0))
        if log.extended:
            number = 0x18FF0000 | number << 4 & 0xFF00 | int(generator.integers(0x10, 0x1A))
        if number not in log.sent:
            return number


def _events(log: Log, generator: Generator) -> None:
    """Sent on change: at random, a few repeated at a short period, or fast while something is active."""
    for _ in range(int(generator.integers(1, 6))):
        kind = generator.random()
        begins = np.sort(generator.uniform(0, log.seconds, int(generator.integers(2, 40))))
        if kind < 0.35:
            moments = begins
        elif kind < 0.7:
            repeats = int(generator.integers(3, 9))
            moments = np.concatenate([one + np.arange(repeats) * 0.02 for one in begins])
        else:
            lasts = generator.uniform(0.5, 3.0, len(begins))
            moments = np.concatenate(
                [one + np.arange(0, last, 0.05) for one, last in zip(begins[:8], lasts[:8], strict=True)]
            )
        log.sent[_free(log, generator)] = np.sort(moments[moments < log.seconds])


def _tester(log: Log, generator: Generator) -> None:
    """A tester asks, in sessions with pauses; a module answers."""
    ask, answer = (0x18DA10F1, 0x18DAF110) if log.extended else (0x7E0, 0x7E8)
    if not log.extended and generator.random() < 0.4:
        ask, answer = 0x714, 0x77E
    moments: list[np.ndarray] = []
    at = float(generator.uniform(0, 10))
    while at < log.seconds:
        lasts = float(generator.uniform(1, 15))
        each = float(generator.uniform(0.04, 0.12))
        count = int(lasts / each)
        moments.append(at + np.cumsum(generator.uniform(0.8, 1.4, count)) * each)
        at += lasts + float(generator.uniform(2, 20))
    asked = np.concatenate(moments)
    asked = asked[asked < log.seconds]
    log.sent[ask] = asked
    log.sent[answer] = asked + generator.uniform(0.004, 0.02, len(asked))


def _bursts(log: Log, generator: Generator) -> None:
    """Long messages in packets: so many frames one after the other, once in a while."""
    for _ in range(int(generator.integers(1, 4))):
        every, frames = float(generator.choice([0.5, 1.0, 2.5, 5.0])), int(generator.integers(4, 32))
        begins = np.arange(generator.random() * every, log.seconds, every)
        begins = begins + generator.uniform(0, 0.05, len(begins)) * every
        moments = (begins[:, None] + np.arange(frames) * float(generator.uniform(0.0008, 0.005))).ravel()
        log.sent[_free(log, generator)] = moments[moments < log.seconds]


def _start_up(log: Log, generator: Generator) -> None:
    """Sent at a period for the first seconds only, as for waking the network."""
    for _ in range(int(generator.integers(1, 4))):
        lasts = float(generator.uniform(1.0, 6.0))
        log.sent[_free(log, generator)] = np.arange(generator.random() * 0.1, lasts, 0.1)


def _flood(log: Log, generator: Generator) -> None:
    """Somebody sends the lowest identifier as fast as the bus takes it: the others wait."""
    begin = float(generator.uniform(0.3, 0.6)) * log.seconds
    lasts = float(generator.uniform(2, 6))
    number = 0x00000001 if log.extended else 0x000
    moments = np.arange(begin, begin + lasts, 0.00026)
    log.sent[number] = moments + generator.uniform(0, 2e-5, len(moments))
    log.floods = True
    for identifier, sent in log.sent.items():
        if identifier != number:
            inside = (sent >= begin) & (sent < begin + lasts) & (generator.random(len(sent)) < 0.9)
            log.sent[identifier] = sent[~inside]


_SENDERS: Final[dict[str, Callable[[Log, Generator], None]]] = {
    "events": _events,
    "tester": _tester,
    "bursts": _bursts,
    "start-up messages": _start_up,
    "flood": _flood,
}


def _lost(log: Log, generator: Generator) -> None:
    """Let the logger lose all frames of some stretches, and single ones."""
    spans = []
    if "lossy logger" in log.quirks:
        begins = generator.uniform(0, log.seconds, int(generator.integers(3, 40)))
        spans = [(float(one), float(one + generator.choice([0.03, 0.1, 0.3, 0.8]))) for one in begins]
    share = float(generator.choice([0.01, 0.05, 0.15])) if "drops of single frames" in log.quirks else 0.0
    for identifier, moments in log.sent.items():
        kept = _without(moments, spans)
        log.sent[identifier] = kept[generator.random(len(kept)) >= share]


def write_log(log: Log, path: Path, seed: int) -> Path:
    """Write a log as candump -L does, its clock set where the log says so."""
    generator = np.random.default_rng([7, seed])
    numbers = np.concatenate([np.full(len(sent), one, np.int64) for one, sent in log.sent.items()])
    moments = np.concatenate(list(log.sent.values()))
    order = np.argsort(moments, kind="stable")
    numbers, moments = numbers[order], moments[order]
    clock = moments.copy()
    if "clock back" in log.quirks:
        clock[moments > float(generator.uniform(0.2, 0.8)) * log.seconds] -= float(generator.uniform(2, 500))
    if "clock forward" in log.quirks:
        clock[moments > float(generator.uniform(0.2, 0.8)) * log.seconds] += float(generator.uniform(2, 500))
    clock += BEGIN
    with path.open("w", encoding="ascii") as file:
        file.writelines(
            f"({at:.6f}) can0 {number:0{8 if number > 0x7FF or log.extended else 3}X}#{number & 0xFF:02X}00\n"
            for at, number in zip(clock.tolist(), numbers.tolist(), strict=True)
        )
    return path
