"""A picture of the levels in words: one sentence per mark, with where it lies against what is expected."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from casebase.bus.levels import Levels, LineSum, Mark, OhmRuler, VoltRuler
from casebase.bus.media import Band

SUM_MEANING: Final = "about 5 V on a healthy pair, whatever the traffic"
HEALTHY_OHMS: Final = "healthy with nothing unplugged"


@dataclass(frozen=True)
class _Expected:
    """What a mark is held against, with its ends as they are printed."""

    label: str
    low: float
    high: float
    printed: str

    def side(self, number: float) -> str:
        if number < self.low:
            return "below"
        return "above" if number > self.high else "within"


def band_words(band: Band) -> str:
    """Return a band's ends in words: `2.5 to 3.0 V`."""
    return f"{band.low:.1f} to {band.high:.1f} V"


def healthy_words(ruler: OhmRuler) -> str:
    """Return the healthy range of ohms in words: `50 to 70 ohm`; empty where no figure tells it."""
    ohms = ruler.healthy.ohms if ruler.healthy else None
    return f"{ohms.low:.0f} to {ohms.high:.0f} ohm" if ohms else ""


def sum_words(total: LineSum) -> str:
    """Return a sum in words: `sum of both lines 5.02 V as found`."""
    return f"sum of both lines {total.volts:.2f} V {total.stage}"


def sentences(levels: Levels) -> Iterator[str]:
    """Yield one sentence per mark and per sum, line by line."""
    for ruler in levels.rulers if levels.has_volts else ():
        if not ruler.marks and ruler.usual:
            yield f"{ruler.line}: not read."
        yield from (volt_sentence(ruler, mark) for mark in ruler.marks)
    yield from (f"{sum_words(it).capitalize()} at {it.at}; {SUM_MEANING}." for it in levels.sums)
    for ohms in levels.ohms:
        yield from (ohm_sentence(ohms, mark) for mark in ohms.marks)


def volt_sentence(ruler: VoltRuler, mark: Mark) -> str:
    """Return a mark on a line's ruler as a sentence."""
    scope = f", {mark.level} on the scope" if mark.level else ""
    expected = [
        _Expected(band.label, round(band.low, 1), round(band.high, 1), band_words(band))
        for band in ruler.bands_for(mark)
    ]
    return _sentence(f"{ruler.line}{scope}", mark, expected)


def ohm_sentence(ruler: OhmRuler, mark: Mark) -> str:
    """Return a mark on a ruler of ohms as a sentence."""
    ohms = ruler.healthy.ohms if ruler.healthy else None
    expected = [_Expected(HEALTHY_OHMS, ohms.low, ohms.high, healthy_words(ruler))] if ohms else []
    return _sentence(ruler.between, mark, expected)


def _sentence(subject: str, mark: Mark, expected: Sequence[_Expected]) -> str:
    """Name the band that holds the mark, or else every band that could have."""
    shown = [it for it in expected if it.side(mark.number) == "within"][:1] or expected
    sides = {it.side(mark.number) for it in shown}
    side = sides.pop() if len(sides) == 1 else "outside"
    named = " and ".join(f"{it.label} ({it.printed})" for it in shown)
    return f"{subject}: {mark.words()}{f'; {side} {named}' if named else ''}."
