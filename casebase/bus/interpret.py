"""From readings as people record them to observations on simulated buses; what cannot be used is said, not dropped.

How long a scope shows the lines driven, as evidence: it must go with the averages that a meter shows.

A meter shows rest + share x (driven - rest) of each sender; the simulated buses keep how long their senders drive the
lines as far as a scope would count it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import ClassVar, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from casebase.bus.bank import Bank
from casebase.bus.bare_module import BareModule, bare_module
from casebase.bus.chain import Array
from casebase.bus.feed_evidence import module_at, unusable_for_a_feed
from casebase.bus.instruments import (
    OVER_LIMIT_OHMS,
    SCOPE_SHARE_FLOOR,
    SCOPE_SHARE_MOVES,
    STATE_NOT_STATED,
    Uncertain,
    View,
    typed_error,
    uncertain_ohms,
    uncertain_volts,
)
from casebase.bus.measured import EitherRead, LimitRead, fault_read, is_stated, quantity_of, side_of, unusable
from casebase.bus.observation import (
    WORD_BY_CHANCE,
    BackToNormalRead,
    Bench,
    GroundPairRead,
    LevelRead,
    NumberRead,
    Observation,
    OverLimitRead,
    Slip,
    TrafficRead,
    UnchangedRead,
    VoltsPairRead,
    capped,
    column_of,
)
from casebase.bus.roles import Places
from casebase.record.quantities import Amount
from casebase.record.reading import Reading, Waveform
from casebase.record.reading_value import Bound, Comparison, OverLimit, Several
from casebase.record.vocabulary import BusState, Into, Medium, Quantity, YesNo

SHARE: Final = "dominant_share"


def share_error(share: float, *, stated: bool = True) -> float:
    """Return the standard error of a share of time read off a scope: traffic differs from one capture to the next."""
    own = float(np.hypot(SCOPE_SHARE_FLOOR, SCOPE_SHARE_MOVES * share))
    return own * (1.0 if stated else STATE_NOT_STATED)


@dataclass(frozen=True)
class ShareRead:
    """The share of time in which the lines are driven, 0..1, with its error, where traffic was seen."""

    readings: tuple[int, ...]
    view: View
    share: float
    error: float
    live: ClassVar[bool] = True

    @property
    def told(self) -> tuple[tuple[View, str], ...]:
        """What need not be read again: the scope was on."""
        return ((self.view, "traffic"),)

    @property
    def by_chance(self) -> float:
        """How likely any bus at all is to explain it."""
        return min(2.5 * self.error, WORD_BY_CHANCE)

    def misfit(self, bench: Bench) -> Array:
        """Return |read - simulated| in standard errors.

        A bus without traffic explains a share as well as those with traffic do on average: that there is traffic is
        evidence of its own.
        """
        seen = column_of(bench, self.view, "traffic") > 0.5
        apart = capped((column_of(bench, self.view, SHARE) - self.share) / self.error)
        return np.where(seen, apart, _on_average(apart[seen]))

    def slips(self, bench: Bench) -> list[Slip]:
        """Return nothing: nobody usually takes it wrongly."""
        return []


def _on_average(misfit: NDArray[np.float64]) -> float:
    explained = float(np.exp(-0.5 * misfit**2).mean()) if len(misfit) else 1.0
    return float(capped(np.sqrt(-2.0 * np.log(max(explained, 1e-300)))))


JOINED_LINES: Final = (Medium.HIGH_SPEED_CAN, Medium.J1939, Medium.FLEXRAY)
"""Media whose lines terminators join, and whose lines lie near ground when the bus sleeps."""


class Simulated(Protocol):
    """What readings are held against: a bank of simulated buses, or the rows of one layout."""

    @property
    def medium(self) -> Medium:
        """The medium."""

    def rows_of(self, state: BusState) -> slice:
        """Return the rows of one state."""


@dataclass(frozen=True)
class _Work:
    roles: Places
    bank: Simulated


@dataclass
class Interpreted:
    """Observations made of the readings, what was read into bare modules, and what could not be used and why.

    `overtaken`: (earlier, later) readings of the same thing that differ, of which the later counts.
    """

    observations: list[Observation] = field(default_factory=list)
    unused: list[tuple[int, str]] = field(default_factory=list)
    bare_modules: list[BareModule] = field(default_factory=list)
    overtaken: list[tuple[int, int]] = field(default_factory=list)


def interpret(readings: Sequence[Reading], roles: Places, bank: Simulated) -> Interpreted:
    """Return what the readings say about the bus; readings after the repair are left out."""
    found = Interpreted()
    numbers: Numbers = {}
    for index, reading in enumerate(readings):
        if reading.into is Into.MODULE:
            _keep_bare(found, bare_module(index, reading, bank.medium), index)
            continue
        of_feed = module_at(reading) is not None
        reason = unusable_for_a_feed(reading) if of_feed else unusable(reading, roles)
        if reason:
            found.unused.append((index, reason))
        elif not of_feed:
            _keep(found, numbers, index, readings, _Work(roles, bank))
    _drop_what_follows(found, numbers)
    found.observations += list(_numbers(numbers, bank.medium))
    return found


def _keep(found: Interpreted, numbers: Numbers, index: int, readings: Sequence[Reading], work: _Work) -> None:
    """Keep what one reading says of the bus lines."""
    reading = readings[index]
    view = View(work.roles.place(reading), work.roles.unplugged(reading) or "nothing")
    if reading.traffic is not None:
        found.observations.append(TrafficRead((index,), view, reading.traffic is YesNo.YES))
    quantity = quantity_of(reading)
    if quantity is not None and isinstance(reading.value, Amount):
        _keep_number(found, numbers, (view, quantity), (index, reading), work.bank)
    elif quantity is not None:
        found.observations += _special(index, readings, view, quantity, work)
    else:
        _keep_word(found, index, reading, view, work)


def _keep_bare(found: Interpreted, bare: BareModule | str, index: int) -> None:
    if isinstance(bare, BareModule):
        found.bare_modules.append(bare)
    else:
        found.unused.append((index, bare))


def _keep_word(found: Interpreted, index: int, reading: Reading, view: View, work: _Work) -> None:
    """Keep what is evidence without being one simulated quantity: a picture, AC volts, what became of the fault."""
    if reading.quantity is Quantity.FAULT and isinstance(work.bank, Bank):
        swapped = [role for name in reading.swapped or () if (role := work.roles.of(name))]
        gone = reading.value is not Comparison.UNCHANGED
        found.observations.append(fault_read(index, work.bank, view.unplugged, swapped, gone=gone))
    elif reading.quantity is Quantity.AC_VOLTAGE:
        if _least(reading) >= AC_TRAFFIC_VOLTS:
            found.observations.append(TrafficRead((index,), view, True))
        else:
            found.unused.append((index, AC_TELLS_NOTHING))
    else:
        found.observations += list(_seen_on_scope(index, reading, view, work.bank.medium))


AC_TRAFFIC_VOLTS: Final = 0.2
"""From here an AC range shows that a line moves; frames make up to half a volt (rooted share times swing; judged)."""

AC_TELLS_NOTHING: Final = (
    f"AC volts show traffic from {AC_TRAFFIC_VOLTS} V up; less tells nothing, for few meters are fast enough"
)


def _least(reading: Reading) -> float:
    """Return the least volts that an AC reading can mean."""
    value = reading.value
    if isinstance(value, Bound):
        return value.limit.number if value.is_over else 0.0
    return value.low if isinstance(value, Amount) else 0.0


Numbers = dict[tuple[View, str], tuple[int, Reading]]


def _keep_number(
    found: Interpreted, numbers: Numbers, key: tuple[View, str], later: tuple[int, Reading], bank: Simulated
) -> None:
    """Keep a number; of two of the same kind the later counts, for the bus may have changed between them.

    Where of one it is not told what was unplugged, nobody knows that it was the same state: then either counts.
    """
    earlier = numbers.pop(key, None)
    if earlier is None or not _differ(earlier[1], later[1]):
        numbers[key] = later
    elif (earlier[1].unplugged is None) != (later[1].unplugged is None):
        options = tuple(NumberRead((place,), *key, _uncertain(read)) for place, read in (earlier, later))
        found.observations.append(EitherRead(options, *key, bank.rows_of(BusState.HEALTHY)))
        return
    else:
        found.overtaken.append((earlier[0], later[0]))
        numbers[key] = later
    if earlier is not None:
        found.unused.append((earlier[0], "read again later in another state: the later reading counts"))


SAME_WITHIN_ERRORS: Final = 3.0
"""Standard errors within which two numbers are the same reading taken twice (judged)."""


def _differ(earlier: Reading, later: Reading) -> bool:
    """Return whether two numbers are farther apart than a meter's errors tell."""
    one, other = _uncertain(earlier), _uncertain(later)
    return abs(one.value - other.value) > SAME_WITHIN_ERRORS * float(np.hypot(one.error, other.error))


def _drop_what_follows(found: Interpreted, numbers: Numbers) -> None:
    """Leave out volts between the lines where both averages were read in the same place and state."""
    for view, quantity in list(numbers):
        if "_less_" in quantity and all((view, each) in numbers for each in AVERAGES_OF_PAIR):
            index, _ = numbers.pop((view, quantity))
            found.unused.append((index, "follows from the averages of both lines, read in the same place"))


def _numbers(numbers: Numbers, medium: Medium) -> Iterator[Observation]:
    """Yield the numbers; where terminators join the lines, both resistances to ground are read together."""
    joined = medium in JOINED_LINES
    for (view, quantity), (index, reading) in numbers.items():
        if joined and quantity in AVERAGES_OF_PAIR and (view, _other_average(quantity)) in numbers:
            if quantity == "volts_high":
                averages = (numbers[view, each] for each in AVERAGES_OF_PAIR)
                yield VoltsPairRead(
                    *(
                        NumberRead((place,), view, name, _uncertain(read), True)
                        for name, (place, read) in zip(AVERAGES_OF_PAIR, averages, strict=True)
                    )
                )
            continue
        high, low = (numbers.get((view, f"ohms_{line}_ground")) for line in ("high", "low"))
        together = joined and quantity in _TO_GROUND and high and low and _both_large(high[1], low[1])
        if together and high and low:
            if quantity == "ohms_high_ground":
                yield _ground_pair(view, high, low)
        elif quantity == "ohms_between" and (reading.number or 0.0) >= BEYOND_MODULES_OHMS:
            yield LimitRead((index,), view, quantity, _INPUTS_END, is_over=True)
        else:
            yield NumberRead(
                (index,), view, quantity, _uncertain(reading), joined and quantity.startswith("volts")
            )


BEYOND_MODULES_OHMS: Final = 60e3
"""Between the lines about as much as the input of one module alone: 19 to 52 kohm (NXP TJA1051 table 7), up to 75
(TJA1041A). Beyond, damp, fingers and leakage are read: as good as OL (common practice, no source)."""

_INPUTS_END: Final = Uncertain(45e3, 15e3)

AVERAGES_OF_PAIR: Final = ("volts_high", "volts_low")


def _other_average(quantity: str) -> str:
    return AVERAGES_OF_PAIR[1 - AVERAGES_OF_PAIR.index(quantity)]


_TO_GROUND: Final = ("ohms_high_ground", "ohms_low_ground")


def _both_large(high: Reading, low: Reading) -> bool:
    return all(reading.number is not None and reading.number > 300 for reading in (high, low))


def _ground_pair(view: View, high: tuple[int, Reading], low: tuple[int, Reading]) -> GroundPairRead:
    amounts = [reading.value for _, reading in (high, low)]
    typing = sum(typed_error(amount) ** 2 for amount in amounts if isinstance(amount, Amount)) ** 0.5
    return GroundPairRead((high[0], low[0]), view, _uncertain(high[1]), _uncertain(low[1]), typing)


def _uncertain(reading: Reading, of: Amount | None = None) -> Uncertain:
    """Return the number with its error; `of` is one of those that the reading holds."""
    amount = of or reading.value
    if not isinstance(amount, Amount):
        raise TypeError("only a number has an error")
    stated = is_stated(reading)
    if reading.quantity is Quantity.RESISTANCE:
        return uncertain_ohms(amount, stated=stated)
    return uncertain_volts(amount, stated=stated)


def _special(
    index: int, readings: Sequence[Reading], view: View, quantity: str, work: _Work
) -> list[Observation]:
    """Return what anything but a number says of one simulated quantity."""
    reading, value = readings[index], readings[index].value
    if isinstance(value, Several):
        options = [_of_one(index, reading, view, quantity, each) for each in value.values]
        return [EitherRead(tuple(options), view, quantity, work.bank.rows_of(BusState.HEALTHY))]
    if (
        isinstance(value, Bound)
        and value.is_over
        and quantity.startswith("ohms")
        and value.limit.number >= OVER_LIMIT_OHMS[0]
    ):
        # The limit is that of the meter's range: the same as OL.
        return [OverLimitRead((index,), view, quantity)]
    if isinstance(value, Bound):
        limit = _uncertain(reading, value.limit)
        return [LimitRead((index,), view, quantity, limit, value.is_over)]
    if isinstance(value, OverLimit):
        return [OverLimitRead((index,), view, quantity)]
    if value in {Comparison.BACK_TO_NORMAL, Comparison.NORMAL}:
        return [BackToNormalRead((index,), view, quantity, work.bank.rows_of(BusState.HEALTHY))]
    before = _earlier_view(index, readings, work.roles)
    return [] if before is None or before == view else [UnchangedRead((index,), view, before, quantity)]


def _of_one(
    index: int, reading: Reading, view: View, quantity: str, value: Amount | OverLimit
) -> Observation:
    """Return what one of several values says."""
    if isinstance(value, OverLimit):
        return OverLimitRead((index,), view, quantity)
    return NumberRead((index,), view, quantity, _uncertain(reading, value))


def _earlier_view(index: int, readings: Sequence[Reading], roles: Places) -> View | None:
    """Return the view of the reading that `unchanged` refers to: the last of the same lines and place before it."""
    this = readings[index]
    for earlier in reversed(readings[:index]):
        same = (earlier.quantity, earlier.line, earlier.against, earlier.at) == (
            this.quantity,
            this.line,
            this.against,
            this.at,
        )
        if same and not isinstance(earlier.value, Comparison):
            unplugged = roles.unplugged(earlier)
            return None if unplugged is None else View(roles.place(earlier), unplugged)
    return None


def _seen_on_scope(index: int, reading: Reading, view: View, medium: Medium) -> Iterator[Observation]:
    seen = reading.waveform
    if seen is None:
        return
    share = _share_of_traffic(seen)
    if seen.traffic is not None or share is not None:
        yield TrafficRead((index,), view, seen.traffic is not YesNo.NO)
    # FlexRay's lines are driven both ways: no level of theirs is dominant.
    if share is not None and medium is not Medium.FLEXRAY:
        yield ShareRead((index,), view, share, share_error(share, stated=is_stated(reading)))
    for name, levels in (("recessive", seen.recessive), ("dominant", seen.dominant)):
        for line, level in levels.items():
            side = side_of(line)
            if side:
                yield LevelRead((index,), view, f"{name}_{side}", level.number)


def _share_of_traffic(seen: Waveform) -> float | None:
    """Return how long lines are driven by traffic; a line at rest, or driven all the time, shows none."""
    share = seen.dominant_share
    return None if share is None or seen.traffic is YesNo.NO or share in {0.0, 1.0} else share
