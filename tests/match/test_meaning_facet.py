"""The facet that asks whether what was found there is what the readings here can mean."""

from collections import Counter
from dataclasses import replace

import pytest

from casebase.match.facets.base import Rarity
from casebase.match.facets.meaning import compare_meaning
from casebase.match.profile_of_case import profile_of

COUNTED = Rarity(10, Counter())
STUCK = {"driver_stuck_dominant": 0.97, "healthy": 0.02, "lines_shorted_together": 0.01}


@pytest.fixture
def job(make_case):
    """A job whose readings mean a driver stuck dominant, on high-speed CAN."""
    case = make_case(networks=[{"name": "a", "medium": "high-speed CAN"}])
    return replace(profile_of(case, "job"), meaning={"high-speed CAN": STUCK})


@pytest.fixture
def solved(make_case):
    """Return the profile of a case with a cause, on a medium."""

    def with_cause(fault, medium="high-speed CAN"):
        cause = {"fault": fault, "network": "a", "proof": "seen"}
        return profile_of(make_case(networks=[{"name": "a", "medium": medium}], cause=cause), "past")

    return with_cause


def test_the_cause_that_the_readings_mean_is_most_alike(job, solved):
    """A stuck driver there is more like these readings than a short, and that is said."""
    stuck = compare_meaning(job, solved("driver_stuck_dominant"), COUNTED)
    short = compare_meaning(job, solved("lines_shorted_together"), COUNTED)
    assert stuck.likeness > 0.7
    assert short.likeness < 0.4
    assert "can mean a driver stuck dominant, as found there (probability 0.97)" in stuck.agree[0]
    assert "hardly mean lines shorted together" in short.differ[0]


def test_a_proven_cause_is_not_believed_wholly(job, solved):
    """Even the very same cause stays short of one: a fault may have sat on a branch."""
    assert compare_meaning(job, solved("driver_stuck_dominant"), COUNTED).likeness < 0.95


def test_a_module_without_supply_leaves_the_wires_healthy(job, solved):
    """Readings of a healthy bus fit a cause that is no bus state; a stuck driver does not."""
    healthy = replace(job, meaning={"high-speed CAN": {"healthy": 0.9, "bus_quiet": 0.1}})
    supply = solved("module_supply_or_ground")
    assert compare_meaning(healthy, supply, COUNTED).likeness > 0.8
    assert compare_meaning(job, supply, COUNTED).likeness < 0.5


def test_a_gateways_silence_is_a_quiet_bus(job, solved):
    """Flat lines at 2.5 V go with a DLC that is silent until a tester talks."""
    quiet = replace(job, meaning={"high-speed CAN": {"bus_quiet": 0.96, "healthy": 0.04}})
    assert compare_meaning(quiet, solved("gateway_isolation_normal"), COUNTED).likeness > 0.8


def test_water_may_do_anything_to_the_wires(job, solved):
    """A cause that says nothing of the bus state is not compared."""
    assert compare_meaning(job, solved("water_in_module"), COUNTED).likeness is None


def test_another_kind_of_bus_cannot_be_compared(job, solved):
    """What volts mean on high-speed CAN says nothing of a LIN case; J1939 has the same levels."""
    assert compare_meaning(job, solved("driver_stuck_dominant", "LIN"), COUNTED).likeness is None
    assert compare_meaning(job, solved("driver_stuck_dominant", "J1939"), COUNTED).likeness is not None


def test_without_computed_readings_nothing_is_compared(job, solved):
    """A job without readings of its bus leaves this facet unknown."""
    assert compare_meaning(replace(job, meaning={}), solved("low_open"), COUNTED).likeness is None
