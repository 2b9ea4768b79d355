"""A bank small enough to be simulated in a test run, and readings told briefly."""

import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.pair import high_speed_can
from casebase.record.reading import Reading


@pytest.fixture(scope="session")
def bank(simulated_buses):
    """Simulated high-speed buses, 1500 per state."""
    return Bank(high_speed_can(), places.simulation_folder(), per_state=1500)


def ohms(line, against, value, **state):
    """Return a resistance read with the battery disconnected."""
    told = {
        "quantity": "resistance",
        "line": line,
        "against": against,
        "battery": "disconnected",
        "value": value,
    }
    return Reading.model_validate({"unplugged": "nothing", **told, **state})


def volts(line, value, **state):
    """Return a voltage to ground read with the ignition on."""
    told = {"quantity": "voltage", "line": line, "against": "ground", "ignition": "on", "value": value}
    return Reading.model_validate({"unplugged": "nothing", **told, **state})


@pytest.fixture
def pair():
    """Return the maker of a reading between the lines at the DLC."""
    return lambda value, **state: ohms("CAN high", "CAN low", value, **state)


@pytest.fixture
def high():
    """Return the maker of a voltage of CAN high."""
    return lambda value, **state: volts("CAN high", value, **state)


@pytest.fixture
def low():
    """Return the maker of a voltage of CAN low."""
    return lambda value, **state: volts("CAN low", value, **state)


@pytest.fixture
def high_ground():
    """Return the maker of a resistance of CAN high to ground."""
    return lambda value, **state: ohms("CAN high", "ground", value, **state)


@pytest.fixture
def low_ground():
    """Return the maker of a resistance of CAN low to ground."""
    return lambda value, **state: ohms("CAN low", "ground", value, **state)
