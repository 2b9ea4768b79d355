"""What was tried rules causes in or out, with the usual doubt (rules of the trade: common practice, no source)."""

import pytest

from casebase.match.answer.evidence import TrialFit
from casebase.record.case import Case
from casebase.record.inference import fault_readings
from casebase.record.trial import Trial
from casebase.record.vocabulary import Fault

TCM = "transmission control"


def fit(**trial):
    """Return one trial, held against causes."""
    return TrialFit([Trial.model_validate(trial)])


def job(**told):
    """Return a stuck job."""
    return Case.model_validate(
        {"kind": "fault case", "vehicle": {"make": "Norrvik", "model": "Skarn"}} | told
    )


def test_a_module_swapped_without_change_is_hardly_at_fault():
    """The fault stayed in the vehicle when the module left it."""
    swapped = fit(did="swapped", what="TCM", outcome="no change")
    assert swapped.likelihood(str(Fault.MODULE_INTERNAL), TCM) < 0.2
    assert swapped.likelihood(str(Fault.MODULE_INTERNAL), "engine control") == 1.0
    assert swapped.likelihood(str(Fault.MODULE_SUPPLY_OR_GROUND), TCM) == 1.0


@pytest.mark.parametrize("doubt", [{"used_part": "yes"}, {"configured": "no"}])
def test_a_used_or_unconfigured_part_proves_less(doubt):
    """The one fitted may be bad too, or not know the vehicle."""
    plain = fit(did="replaced", what="TCM", outcome="no change")
    doubtful = fit(did="replaced", what="TCM", outcome="no change", **doubt)
    inside = str(Fault.MODULE_INTERNAL), TCM
    assert plain.likelihood(*inside) < doubtful.likelihood(*inside) < 1.0


def test_a_bus_that_is_back_with_a_module_unplugged_had_its_fault_there():
    """What is in the module goes with it; a fault elsewhere stays."""
    restored = fit(did="unplugged", what="TCM", outcome="restored")
    assert restored.likelihood(str(Fault.WATER_IN_MODULE), TCM) > 1.0
    assert restored.likelihood(str(Fault.CONNECTOR_CORROSION), None) < 0.5
    assert restored.rest() < 0.5


def test_what_the_computation_of_the_bus_hears_is_not_weighed_again():
    """That a module unplugged cured the bus is a reading to it, and speaks for a driver stuck in that module there."""
    unplugged = {"did": "unplugged", "what": "TCM", "outcome": "restored"}
    assert fit(**unplugged).likelihood(str(Fault.DRIVER_STUCK_DOMINANT), TCM) == 1.0
    told = job(networks=[{"name": "powertrain CAN", "medium": "high-speed CAN"}], trials=[unplugged])
    (heard,) = fault_readings(told, told.networks[0])
    assert (heard.unplugged, str(heard.value)) == (["TCM"], "gone")


def test_a_module_good_on_the_bench_speaks_for_its_feed():
    """What passed outside the vehicle fails by what the vehicle gives it."""
    passed = fit(did="bench-tested", what="TCM", outcome="passed")
    assert passed.likelihood(str(Fault.MODULE_INTERNAL), TCM) < 0.2
    assert passed.likelihood(str(Fault.MODULE_SUPPLY_OR_GROUND), TCM) == 1.0


def test_a_lamp_that_stays_dark_speaks_for_the_feed():
    """A load fails on a supply that an open voltmeter calls sound."""
    dark = fit(did="loaded", what="connector of TCM", outcome="failed")
    assert dark.likelihood(str(Fault.MODULE_SUPPLY_OR_GROUND), TCM) > 1.0
    assert dark.likelihood(str(Fault.MODULE_INTERNAL), TCM) < 0.5


def test_a_wire_laid_beside_it_that_helps_means_a_parted_line():
    """Whatever module it leads to."""
    helped = fit(did="bypassed", what="CAN low", outcome="restored")
    assert helped.likelihood(str(Fault.LOW_OPEN), None) > 1.0
    assert helped.likelihood(str(Fault.LOW_SHORTED_TO_GROUND), None) < 0.5


def test_what_followed_is_not_known_says_nothing():
    """Neither for nor against."""
    unknown = fit(did="replaced", what="TCM")
    assert unknown.likelihood(str(Fault.MODULE_INTERNAL), TCM) == 1.0
    assert unknown.rest() == 1.0
