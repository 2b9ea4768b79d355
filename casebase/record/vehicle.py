"""The vehicle of a record."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final

from pydantic import AfterValidator, Field

from casebase.errors import InputError
from casebase.record.fields import Name, Odometer, Part
from casebase.record.vin import parse_vin
from casebase.record.vocabulary import HIGH_VOLTAGE_POWERTRAINS, Market, Powertrain, YesNo

FIRST_MODEL_YEAR: Final = 1980
"""The first model year of the 17-character VIN (49 CFR 565); no vehicle before it has a network worth a record."""


def _model_year(year: int) -> int:
    newest = date.today().year + 2
    if year > newest:
        raise InputError(f"no vehicle has that model year yet: expected {FIRST_MODEL_YEAR} to {newest}")
    return year


def _vin(text: str) -> str:
    return parse_vin(text).text


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
    high_voltage: YesNo | None = Field(
        default=None,
        description="Whether there is a high-voltage system; left out, it follows from the powertrain.",
    )
    market: Market | None = None
    odometer: Odometer | None = None
    vin: Annotated[Name, AfterValidator(_vin)] | None = Field(
        default=None, description="17 characters; optional."
    )

    @property
    def has_high_voltage(self) -> bool:
        """Whether the cautions for high-voltage vehicles belong to this one."""
        if self.high_voltage is not None:
            return self.high_voltage is YesNo.YES
        return self.powertrain in HIGH_VOLTAGE_POWERTRAINS

    def line(self) -> str:
        """Return the vehicle in one line."""
        parts = [f"{self.make} {self.model}", self.model_year, self.powertrain, self.odometer]
        named = f"platform {self.platform}" if self.platform else None
        return ", ".join(str(part) for part in (*parts, named) if part)
