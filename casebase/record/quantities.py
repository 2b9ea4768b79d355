"""Values the way people write them: `60.2 ohm`, `1.2k`, `4k7`, `OL`, `2.3 to 2.7 V`, `250 kbit/s`, `84 200 km`.

An `Amount` keeps the digits as typed (they tell the instrument's resolution) and knows its value in the base unit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from casebase.errors import QuantityError

_NUMBER: Final = r"[+-]?(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)"
_AMOUNT: Final = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>[^0-9\s].*)?", re.DOTALL)
_RANGE: Final = re.compile(
    rf"(?P<low>{_NUMBER})\s*(?P<unit>[^0-9\s.…\u2013-]*?)\s*(?:to|\.\.|…|\u2013|-)\s*(?P<high>{_NUMBER}\s*[^0-9]*)",
    re.IGNORECASE,
)
_LETTER_AS_POINT: Final = re.compile(r"([0-9]+)([kKMRΩ])([0-9]+)")
_ABOUT: Final = re.compile(r"(?:about|approx\.?|ca\.?|~)\s*", re.IGNORECASE)
_THOUSANDS_GAP: Final = re.compile(r"(?<=\d)[ \u00a0\u202f'](?=\d{3}(?!\d))")
_LONGEST: Final = 60


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity: its units with their factors to the base unit, and the values that can occur.

    `units` maps each spelling to (canonical unit, factor). `bare` is the unit of a number without one.
    """

    name: str
    units: dict[str, tuple[str, float]]
    example: str
    low: float
    high: float
    bare: str | None = None

    @property
    def an(self) -> str:
        """The article that goes before the name."""
        return "an" if self.name[0] in "aeiou" else "a"

    @property
    def base_unit(self) -> str:
        """The canonical unit whose factor is 1."""
        return next(unit for unit, factor in self.units.values() if factor == 1.0)

    def unit(self, spelling: str) -> tuple[str, float] | None:
        """Return (canonical unit, factor) of a spelling; capitals matter only where m is not M."""
        if spelling in self.units or spelling == "m":
            return self.units.get(spelling)
        same = (text for text in self.units if text.casefold() == spelling.casefold())
        folded = {self.units[text] for text in same if text[:1] not in "mM" or text[:1] == spelling[:1]}
        return folded.pop() if len(folded) == 1 else None


@dataclass(frozen=True)
class Amount:
    """A number with its unit as typed; `low` and `high` differ when a range was given."""

    digits: str
    unit: str
    low: float
    high: float
    about: bool = False

    @property
    def number(self) -> float:
        """The value in the base unit (ohm, volt, bit/s, km, minute); the middle of a range."""
        return (self.low + self.high) / 2

    def __str__(self) -> str:
        return f"{'about ' if self.about else ''}{self.digits} {self.unit}"


_OHM_PREFIXES: Final = {"m": 1e-3, "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}
_OHM_WORDS: Final = ("ohm", "ohms", "Ohm", "Ohms", "Ω", "Ω")

RESISTANCE: Final = Dimension(
    name="resistance",
    units={
        prefix + word: (("k" if prefix == "K" else prefix) + "ohm", factor)
        for prefix, factor in _OHM_PREFIXES.items()
        for word in _OHM_WORDS
    }
    | {"R": ("ohm", 1.0), "k": ("kohm", 1e3), "K": ("kohm", 1e3), "M": ("Mohm", 1e6)},
    example="60.2 ohm, 1.2k or OL",
    low=-20e6,  # a voltage on the wire drives the meter below zero
    high=200e6,  # the largest range of a hand-held meter is tens of megohms (common practice, no source)
    bare="ohm",
)
VOLTAGE: Final = Dimension(
    name="voltage",
    units={
        "V": ("V", 1.0),
        "volt": ("V", 1.0),
        "volts": ("V", 1.0),
        "V DC": ("V", 1.0),
        "VDC": ("V", 1.0),
        "mV": ("mV", 1e-3),
        "millivolt": ("mV", 1e-3),
    },
    example="2.4 V",
    low=-15.0,
    high=60.0,  # a 48 V supply at its upper limit; a bus line cannot stand at more (from memory, ISO 21780)
    bare="V",
)
CURRENT: Final = Dimension(
    name="current",
    units={
        "A": ("A", 1.0),
        "amp": ("A", 1.0),
        "amps": ("A", 1.0),
        "mA": ("mA", 1e-3),
        "milliamp": ("mA", 1e-3),
        "milliamps": ("mA", 1e-3),
        "\u00b5A": ("uA", 1e-6),
        "uA": ("uA", 1e-6),
    },
    example="35 mA",
    low=-2000.0,
    high=2000.0,  # a starter draws hundreds of amperes (common practice, no source)
)
BIT_RATE: Final = Dimension(
    name="bit rate",
    units={
        spelling: (unit, factor)
        for unit, factor, spellings in (
            ("bit/s", 1.0, ("bit/s", "bps", "bit", "baud", "Bd")),
            ("kbit/s", 1e3, ("kbit/s", "kbps", "kbit", "k", "kbaud", "kBd", "kb/s")),
            ("Mbit/s", 1e6, ("Mbit/s", "Mbps", "Mbit", "M", "Mb/s", "MBit/s", "MBd")),
        )
        for spelling in spellings
    },
    example="500 kbit/s",
    low=300.0,
    high=20e6,  # above CAN XL and FlexRay (10 Mbit/s); from memory
)
ODOMETER: Final = Dimension(
    name="odometer",
    units={
        "km": ("km", 1.0),
        "mi": ("mi", 1.609344),
        "mile": ("mi", 1.609344),
        "miles": ("mi", 1.609344),
        "Miles": ("mi", 1.609344),
    },
    example="84200 km",
    low=0.0,
    high=4e6,
)
DISTANCE: Final = Dimension(
    name="distance",
    units=ODOMETER.units | {"m": ("m", 1e-3)},
    example="12 km",
    low=0.0,
    high=5000.0,
)
LENGTH: Final = Dimension(
    name="length",
    units={
        spelling: (unit, factor)
        for unit, factor, spellings in (
            ("m", 1.0, ("m", "metre", "metres", "meter", "meters")),
            ("cm", 0.01, ("cm",)),
            ("mm", 0.001, ("mm",)),
            ("ft", 0.3048, ("ft", "feet", "foot")),
        )
        for spelling in spellings
    },
    example="1.8 m",
    low=0.0,
    high=200.0,  # a truck with its trailers is below 40 m (from memory); a wire winds
)
MINUTES: Final = Dimension(
    name="time",
    units={
        spelling: (unit, factor)
        for unit, factor, spellings in (
            ("min", 1.0, ("min", "mins", "minute", "minutes", "Min", "MIN", "Minutes")),
            ("h", 60.0, ("h", "hr", "hour", "hours")),
        )
        for spelling in spellings
    },
    example="45 min or 1.5 h",
    low=0.0,
    high=60_000.0,
    bare="min",
)


def read_amount(text: object, dimension: Dimension) -> Amount:
    """Return the amount that `text` (or a bare number) gives; raise `QuantityError` otherwise.

    >>> read_amount("1.2k", RESISTANCE).number
    1200.0
    >>> str(read_amount("4k7", RESISTANCE))
    '4.7 kohm'
    """
    if isinstance(text, Amount):
        return text
    spelled = _spelled(text, dimension)
    about = _ABOUT.match(spelled)
    body = spelled[about.end() :] if about else spelled
    spread = _RANGE.fullmatch(body)
    if spread:
        return _range(spread, dimension, spelled, about=bool(about))
    digits, unit, factor = _number_and_unit(body, dimension, spelled)
    value = float(digits) * factor
    return _in_bounds(Amount(digits, unit, value, value, bool(about)), dimension)


_CURRENCY_SIGNS: Final = {"€": "EUR", "£": "GBP"}
_MONEY: Final = re.compile(
    r"(?P<before>[A-Z]{3}|[€£])?\s*(?P<number>[0-9]+(?:[.,][0-9]{1,2})?)\s*(?P<after>[A-Z]{3}|[€£])?"
)


def read_money(text: object) -> Amount:
    """Return an amount of money with its ISO 4217 currency, from `184.50 EUR` or `€ 184,50`."""
    expected = "expected an amount with its currency in three letters, such as 184.50 EUR"
    if isinstance(text, Amount):
        return text
    spelled = " ".join(text.split()) if isinstance(text, str) else ""
    match = _MONEY.fullmatch(_THOUSANDS_GAP.sub("", spelled)) if len(spelled) <= _LONGEST else None
    if match is None or bool(match["before"]) == bool(match["after"]):
        raise QuantityError(f"not an amount of money: {expected}")
    currency = match["before"] or match["after"]
    digits = match["number"].replace(",", ".")
    return Amount(digits, _CURRENCY_SIGNS.get(currency, currency), float(digits), float(digits))


def _spelled(text: object, dimension: Dimension) -> str:
    """Return `text` as one line to read; a bare number is spelled out."""
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise QuantityError(
            f"not {dimension.an} {dimension.name}: expected a value such as {dimension.example}"
        )
    spelled = " ".join(str(text).split())
    if not spelled or len(spelled) > _LONGEST:
        raise QuantityError(
            f"not {dimension.an} {dimension.name}: expected a value such as {dimension.example}"
        )
    whole = _LETTER_AS_POINT.fullmatch(spelled)
    return f"{whole[1]}.{whole[3]}{whole[2]}" if whole else _THOUSANDS_GAP.sub("", spelled)


def _range(spread: re.Match[str], dimension: Dimension, spelled: str, *, about: bool) -> Amount:
    high_digits, unit, factor = _number_and_unit(spread["high"], dimension, spelled)
    low_digits = _plain_digits(spread["low"], spelled)
    low, high = float(low_digits) * factor, float(high_digits) * factor
    if spread["unit"] and dimension.unit(spread["unit"]) != dimension.unit(unit):
        raise QuantityError(f"the range {spelled} changes its unit: write both values in one")
    # "12.6 to 8.1" fell: the digits keep the order.
    digits = f"{low_digits} to {high_digits}"
    return _in_bounds(Amount(digits, unit, min(low, high), max(low, high), about), dimension)


def _number_and_unit(body: str, dimension: Dimension, spelled: str) -> tuple[str, str, float]:
    """Return (digits, canonical unit, its factor to the base unit)."""
    match = _AMOUNT.fullmatch(body)
    if match is None:
        raise QuantityError(
            f"not {dimension.an} {dimension.name}: expected a value such as {dimension.example}"
        )
    spelling = (match["unit"] or "").strip() or dimension.bare
    if spelling is None:
        raise QuantityError(
            f"{spelled} has no unit: expected {dimension.an} {dimension.name} such as {dimension.example}"
        )
    found = dimension.unit(spelling)
    if found is None:
        raise QuantityError(
            f"'{spelling}' is no unit of {dimension.name}: expected a value such as {dimension.example}"
        )
    return _plain_digits(match["number"], spelled), *found


def _plain_digits(number: str, spelled: str) -> str:
    """Return `number` with a decimal point; a comma before exactly three digits could mean either."""
    if re.search(r",\d{3}$", number):
        raise QuantityError(
            f"{spelled} can be read two ways: write the decimals with a point and thousands without a comma"
        )
    point = number.replace(",", ".").lstrip("+")
    return re.sub(r"^(-?)\.", r"\g<1>0.", point)


def _in_bounds(amount: Amount, dimension: Dimension) -> Amount:
    if not (dimension.low <= amount.low and amount.high <= dimension.high):
        raise QuantityError(
            f"{amount} cannot be {dimension.an} {dimension.name}: expected {dimension.low:g} to {dimension.high:g}"
            f" {dimension.base_unit}"
        )
    return amount
