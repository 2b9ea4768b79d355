"""What a scope adds holds on buses that casebase did not simulate: ngspice's, drawn from other distributions.

`tests/bench/scope_on_ngspice.py` prints the figures; bounds lie below what was measured, for 225 buses leave some
scatter.
"""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import scope_on_ngspice as bench
from needed_programs import needs
from scores import score

pytestmark = [needs("ngspice"), pytest.mark.slow]


@pytest.fixture(scope="module")
def answered():
    """Answers to both voltages on 225 buses, with what a scope tells beside them."""
    found = bench.cases(15, 11, 0.0)
    met = bench.visits(found, 11, 6000)
    told = {"traffic": (), "share": ("share",), "all": ("levels", "share")}
    return {name: bench.answers(met, found, bench.METER["both volts"], parts) for name, parts in told.items()}


def test_how_long_the_lines_are_driven_makes_two_voltages_tell_more(answered):
    """Log loss falls by a tenth at least, and the 90 % set still holds the truth."""
    without, told = score(answered["traffic"]), score(answered["share"])
    assert told.bits < 0.9 * without.bits
    assert told.coverage >= 0.93


def test_levels_and_time_driven_together_stay_right_about_themselves(answered):
    """More evidence of one picture must not make the answer too sure."""
    found = score(answered["all"])
    assert found.coverage >= 0.93
    assert found.bits < 1.1


def test_right_readings_of_meter_and_scope_hardly_ever_clash(answered):
    """Meter and scope at the same moment agree on every bus that there is."""
    assert sum(answer.clash for answer in answered["all"]) <= 2
