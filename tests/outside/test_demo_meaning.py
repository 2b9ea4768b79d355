"""Every demo record goes through the computation: the state that belongs to its cause must lie in the 90 % set.

The records were written from circuits worked out apart from the bank (a nodal solver of their authors, or by hand from
the makers' levels), so this checks the bank against people's work, not against itself.
"""

import pytest

from casebase.match.meaning import meanings_of
from casebase.record.vocabulary import BusState, Fault, Kind

HEALTHY = {BusState.HEALTHY, BusState.BUS_QUIET, BusState.BUS_ASLEEP}

EXCEPTIONS = {
    "t2-mirelle-flexray-corroded-inline-connector.yaml": "corrosion opened bus minus: read as low_open, rightly",
    "c7-sunroof-module-wet-holds-body-bus-low.yaml": "water holds the line at ground: read as a short, rightly",
    "t2-mirelle-rear-door-module-under-water.yaml": "water holds the line down: read as a stuck driver, rightly",
    "k4-rain-sensor-drags-wiper-lin.yaml": "180 ohm in the sensor hold the line down: read as that, rightly",
    "k4-tracker-adds-third-terminator.yaml": "the added device brings a terminator: read as that, rightly",
}
"""Records whose cause is no bus state and yet disturbs the bus: what their readings mean is named here."""


pytestmark = pytest.mark.slow  # the buses of every demo record are simulated first


@pytest.fixture(scope="module")
def meanings(demo_cases, simulated_buses):
    """What the readings of every record mean, by file name."""
    cache = simulated_buses / "casebase" / "simulated-buses"
    return {name: meanings_of(case, cache, most_tests=0) for name, case in demo_cases.items()}


def affected(case, meanings):
    """Return the meanings of the networks that the cause names, or of all."""
    named = case.cause.network if case.cause else None
    return [
        meaning for meaning in meanings if named in (None, meaning.name) and meaning.diagnosis.observations
    ]


def test_no_record_contradicts_itself(meanings):
    """No demo record holds readings that no bus shows together."""
    clashing = {
        name: [meaning.name for meaning in found if meaning.diagnosis.clashes]
        for name, found in meanings.items()
    }
    assert {name: networks for name, networks in clashing.items() if networks} == {}


def test_a_cause_that_is_a_bus_state_lies_in_its_90_percent_set(demo_cases, meanings):
    """What was proven in the end is among what the readings can mean."""
    states = {str(state): state for state in BusState}
    missed = []
    for name, case in demo_cases.items():
        state = states.get(str(case.cause.fault)) if case.cause else None
        networks = affected(case, meanings[name])
        if state and networks and not any(state in meaning.diagnosis.credible() for meaning in networks):
            missed.append(name)
    assert missed == []


def test_where_the_bus_is_not_at_fault_it_may_be_healthy(demo_cases, meanings):
    """Known good records, and causes that leave the wires alone, leave a healthy bus in the 90 % set."""
    no_state = {fault for fault in Fault if fault not in set(BusState)}
    missed = [
        name
        for name, case in demo_cases.items()
        if name not in EXCEPTIONS
        and (case.kind is Kind.KNOWN_GOOD or (case.cause and case.cause.fault in no_state))
        for meaning in affected(case, meanings[name])
        if not HEALTHY & set(meaning.diagnosis.credible())
    ]
    assert missed == []


def test_exceptions_are_needed(demo_cases, meanings):
    """Each exception named above is one: its readings do not allow a healthy bus, or its cause is a device."""
    for name in EXCEPTIONS:
        first = [meaning.diagnosis.ranked()[0][0] for meaning in affected(demo_cases[name], meanings[name])]
        assert any(state not in HEALTHY for state in first), name


@pytest.mark.parametrize(
    ("name", "module"),
    [
        ("k4-steering-angle-sensor-holds-bus-dominant.yaml", "steering angle sensor"),
        ("t2-velin-steering-rack-driver-stuck-dominant.yaml", "EPS"),
        ("k4-tracker-adds-third-terminator.yaml", "fleet tracker"),
        ("k4-abs-low-line-chafed-at-strut.yaml", "ABS"),
        ("t2-mirelle-rear-door-module-under-water.yaml", "rear left door module"),
    ],
)
def test_a_fault_that_goes_with_a_module_is_named_with_it(meanings, name, module):
    """Unplugging it brought the bus back: that module is named."""
    assert module in [meaning.diagnosis.host[0] for meaning in meanings[name] if meaning.diagnosis.host]
