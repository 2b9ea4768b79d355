"""The vehicle of a record, and its identification number (VIN): shape, check digit and model year.

Shape, check digit and year codes follow 49 CFR 565.15 (ISO 3779 itself has no check digit). A wrong shape is
refused; a wrong check digit or a model year that does not fit is only remarked upon, because markets differ.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, Final

from pydantic import AfterValidator, Field, ValidationInfo, model_validator

from casebase.errors import InputError
from casebase.record.fields import Name, Odometer, Part, is_stored
from casebase.record.vocabulary import HIGH_VOLTAGE_POWERTRAINS, Market, Powertrain, YesNo

NOT_SAID: Final = "?"
"""Stands for a make or model that nobody gave; it has no letter, so it is compared with no other."""

VIN_LENGTH = 17
_CYLINDERS: Final = re.compile(r"\b[VIWRLH][ -]?(?:[2-9]|1[0-6])\b", re.IGNORECASE)
"""V6, I4, inline five as L5, and the like (common practice, no source)."""
_SEPARATORS: Final = re.compile(r"[\s\-\u2010-\u2015\u2212]")

CHARACTER_VALUES: dict[str, int] = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
"""Value of each permitted character; I, O and Q are not permitted (49 CFR 565.15(c), assigned values)."""

POSITION_WEIGHTS: tuple[int, ...] = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
"""Weight of positions 1 to 17; the check digit itself weighs nothing (49 CFR 565.15(c), table of weights)."""

MODEL_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
"""Codes in position 10 in the order of the years, from 1980 (49 CFR 565.15(d), table of year codes)."""

FIRST_MODEL_YEAR = 1980
"""Of the 17-character VIN (49 CFR 565); no vehicle before it has a network worth a record."""

MODEL_YEAR_CYCLE = len(MODEL_YEAR_CODES)
"""Years after which the codes start again: 1980 to 2009, then 2010 to 2039."""

MODEL_YEAR_TOLERANCE = 1
"""Years a stated model year may be off before it is remarked upon (common practice, no source)."""

LOOKALIKES = str.maketrans({"I": "1", "O": "0", "Q": "0"})
"""Letters a VIN never holds, and the digit each is usually misread from (common practice, no source)."""

# The United States: 49 CFR 565.15(c). Canada and Mexico require the same digit (from memory).
NORTH_AMERICAN_MARKETS = frozenset(
    (
        "northamerica",
        "northamerican",
        "us",
        "usa",
        "unitedstates",
        "unitedstatesofamerica",
        "canada",
        "mexico",
    )
)
# GB 16735 requires the same digit in China (from memory).
OTHER_CHECK_DIGIT_MARKETS = frozenset(("china", "cn", "prc"))


@dataclass(frozen=True)
class Vin:
    """A VIN of the right shape: 17 permitted characters, upper case, without spaces and dashes."""

    text: str
    check_digit_expected: str
    check_digit_found: str
    model_years: tuple[int, ...]
    """Model years position 10 can stand for, earliest first; empty for U, Z and 0, which stand for none."""

    @property
    def check_digit_matches(self) -> bool:
        """Whether position 9 holds the check digit that the other characters give."""
        return self.check_digit_found == self.check_digit_expected


def parse_vin(text: str) -> Vin:
    """Read a VIN, in any case and with any spaces and dashes.

    Raises InputError if it does not have 17 characters, or holds one that no VIN holds.

    >>> parse_vin("1g4-ah59h 45g118341").check_digit_matches
    True
    """
    # The case of ASCII only is raised, so that no foreign letter slips in.
    compact = "".join(c.upper() if c.isascii() else c for c in _SEPARATORS.sub("", text))
    if len(compact) != VIN_LENGTH:
        raise InputError(
            f"VIN {_shown(text)} has {len(compact)} characters, expected {VIN_LENGTH}: read it again from "
            "the vehicle, or leave it out if the vehicle is too old to carry one"
        )
    _refuse_foreign_characters(text, compact)
    return Vin(
        text=compact,
        check_digit_expected=check_digit(compact),
        check_digit_found=compact[8],
        model_years=model_years_of_code(compact[9]),
    )


def check_digit(characters: str) -> str:
    """Return the check digit for 17 permitted characters: the weighted sum modulo 11, with X for 10.

    >>> check_digit("1G4AH59H05G118341")
    '4'
    """
    products = (CHARACTER_VALUES[c] * w for c, w in zip(characters, POSITION_WEIGHTS, strict=True))
    remainder = sum(products) % 11
    return "X" if remainder == 10 else str(remainder)


def model_years_of_code(code: str) -> tuple[int, ...]:
    """Return the two model years a code in position 10 stands for; none if it is no year code.

    >>> model_years_of_code("W"), model_years_of_code("Z")
    ((1998, 2028), ())
    """
    if code not in MODEL_YEAR_CODES:
        return ()
    first = FIRST_MODEL_YEAR + MODEL_YEAR_CODES.index(code)
    return first, first + MODEL_YEAR_CYCLE


def requires_check_digit(market: str | None) -> bool:
    """Return whether a market requires the check digit: North America and China; False if unknown.

    >>> requires_check_digit("U.S.A."), requires_check_digit("Europe"), requires_check_digit(None)
    (True, False, False)
    """
    return bool(_market_names(market) & (NORTH_AMERICAN_MARKETS | OTHER_CHECK_DIGIT_MARKETS))


def vin_remark(vin: str | Vin, market: str | None) -> str | None:
    """Return a sentence if the check digit does not match, or None; how strong depends on the market.

    Raises InputError if a VIN given as text has the wrong shape.
    """
    vin = vin if isinstance(vin, Vin) else parse_vin(vin)
    if vin.check_digit_matches:
        return None
    found, expected = vin.check_digit_found, vin.check_digit_expected
    mismatch = (
        f"VIN {vin.text}: position 9 is {found}, but the other characters give the check digit {expected}"
    )
    return f"{mismatch}; {_meaning_of_mismatch(market)}"


def model_year_remark(vin: str | Vin, model_year: int | None) -> str | None:
    """Return a sentence if position 10 contradicts the stated model year by more than one year, or None.

    Raises InputError if a VIN given as text has the wrong shape.
    """
    vin = vin if isinstance(vin, Vin) else parse_vin(vin)
    if model_year is None or not vin.model_years:
        return None
    if min(abs(model_year - candidate) for candidate in vin.model_years) <= MODEL_YEAR_TOLERANCE:
        return None
    years = " or ".join(str(year) for year in vin.model_years)
    return (
        f"VIN {vin.text}: position 10 is {vin.text[9]}, which stands for model year {years}, but "
        f"{model_year} is stated; check both (outside North America position 10 need not hold a model year)."
    )


def _refuse_foreign_characters(text: str, compact: str) -> None:
    wrong = [(position, c) for position, c in enumerate(compact, start=1) if c not in CHARACTER_VALUES]
    if not wrong:
        return
    found = " and ".join(f"{c!r} at position {position}" for position, c in wrong[:3])
    expected = "expected digits and the letters A to Z without I, O and Q"
    meant, advice = compact.translate(LOOKALIKES), "read it again from the vehicle"
    if all(c in CHARACTER_VALUES for c in meant):
        proof = ", whose check digit matches" if check_digit(meant) == meant[8] else ""
        advice = f"did you mean {meant}{proof}?"
    raise InputError(f"VIN {_shown(text)} has {found}, {expected}: {advice}")


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "...")


def _market_names(market: str | None) -> set[str]:
    """Split "USA / Canada" into names of plain letters, to be compared with the sets above."""
    parts = re.split(r"[/,;+&]|\band\b", (market or "").casefold())
    return {"".join(c for c in part if c.isalpha()) for part in parts} - {""}


def _meaning_of_mismatch(market: str | None) -> str:
    if requires_check_digit(market):
        return (
            f"the market {market} requires it, so at least one character is wrong: "
            "read the VIN again from the vehicle."
        )
    if _market_names(market):
        return f"the market {market} is not known to use a check digit, so the VIN may still be right."
    return (
        "no market is stated: on a vehicle for North America or China at least one character is wrong, "
        "elsewhere the VIN may still be right."
    )


def _model_year(year: int, info: ValidationInfo) -> int:
    newest = date.today().year + 2
    if year > newest and not is_stored(info):
        raise InputError(f"no vehicle has that model year yet: expected {FIRST_MODEL_YEAR} to {newest}")
    return year


class Vehicle(Part):
    """Which vehicle; everything but make and model may be left out."""

    make: Name
    model: Name
    model_year: Annotated[int, Field(ge=FIRST_MODEL_YEAR), AfterValidator(_model_year)] | None = None
    platform: Name | None = Field(
        default=None,
        description="The maker's name for the platform: the same harness and networks under several models.",
    )
    powertrain: Powertrain | None = None
    engine: Name | None = Field(default=None, description="As the trade names it: V6, V8 4.0, 2.0 diesel.")
    high_voltage: YesNo | None = Field(
        default=None,
        description="Whether there is a high-voltage system; left out, it follows from the powertrain.",
    )
    market: Market | None = None
    odometer: Odometer | None = None
    vin: Annotated[Name, AfterValidator(lambda text: parse_vin(text).text)] | None = Field(
        default=None, description="17 characters; optional."
    )

    @model_validator(mode="before")
    @classmethod
    def _cylinders_name_the_engine(cls, data: Any) -> Any:
        """Take `V6`, or `V6 diesel`, typed as the powertrain for the engine, and the rest for the powertrain."""
        if not isinstance(data, dict):
            return data
        said = data.get("powertrain")
        if not isinstance(said, str) or "engine" in data:
            return data
        found = _CYLINDERS.search(said)
        if found is None:
            return data
        rest = " ".join(f"{said[: found.start()]} {said[found.end() :]}".split())
        kept = {key: value for key, value in data.items() if key != "powertrain"} | {"engine": found[0]}
        return kept | ({"powertrain": rest} if rest else {})

    @property
    def has_high_voltage(self) -> bool:
        """Whether the cautions for high-voltage vehicles belong to this one."""
        if self.high_voltage is not None:
            return self.high_voltage is YesNo.YES
        return self.powertrain in HIGH_VOLTAGE_POWERTRAINS

    def line(self) -> str:
        """Return the vehicle in one line, "" where nothing was said of it."""
        name = " ".join(said for said in (self.make, self.model) if said != NOT_SAID)
        parts = [name, self.model_year, self.engine, self.powertrain, self.odometer]
        named = f"platform {self.platform}" if self.platform else None
        return ", ".join(str(part) for part in (*parts, named) if part)
