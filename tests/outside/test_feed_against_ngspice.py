"""What a meter shows at a module's plug, against ngspice, the circuit simulator, on feeds of every state."""

import os
import shutil
import subprocess

import numpy as np
import pytest

from casebase.bus.feed_draws import OPEN_OHMS, Load, Supplied, Taken, feeds_drawn, volts_between
from casebase.record.vocabulary import Line

pytestmark = pytest.mark.slow

EVERY = 60


@pytest.fixture
def ngspice():
    """Return the program; a run on a server (CI=true) must have it."""
    program = shutil.which("ngspice")
    if program is None:
        (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(
            "ngspice is not installed: apt-get install ngspice"
        )
    return program


def netlist(drawn, rows):
    """Return one deck: for each feed a battery, its supply wire, a lamp, its ground wire."""
    lines = ["feeds of modules"]
    for row in rows:
        lines += [
            f"V{row} b{row} 0 {drawn.battery[Supplied.ON][row]:.9g}",
            f"RS{row} b{row} s{row} {drawn.supply_ohms[row]:.9g}",
            f"RL{row} s{row} g{row} {drawn.lamp_ohms[row]:.9g}",
            f"RG{row} g{row} 0 {drawn.ground_ohms[row]:.9g}",
        ]
    shown = [f"print v(s{row}) v(g{row})" for row in rows]
    return "\n".join([*lines, ".control", "set numdgt=9", "op", *shown, "quit 0", ".endc", ".end", ""])


def solved(program, deck, folder):
    """Return volts by node."""
    path = folder / "feeds.cir"
    path.write_text(deck)
    told = subprocess.run(
        [program, "-b", path], capture_output=True, text=True, check=True, timeout=60
    ).stdout
    rows = (line.split("=") for line in told.splitlines() if line.startswith("v(") and "=" in line)
    return {name.strip()[2:-1]: float(volts) for name, volts in rows}


def test_volts_at_a_loaded_plug_are_those_of_ngspice(ngspice, tmp_path):
    """Supply pin and ground pin against battery -, with a lamp between them."""
    drawn, taken = feeds_drawn(), Taken(Supplied.ON, Load.LAMP)
    rows = range(0, len(drawn.state), EVERY)
    spice = solved(ngspice, netlist(drawn, rows), tmp_path)

    supply = volts_between(drawn, Line.SUPPLY, Line.BATTERY_MINUS, taken)
    ground = volts_between(drawn, Line.GROUND, Line.BATTERY_MINUS, taken)
    assert set(drawn.state[list(rows)]) == {0, 1, 2, 3}
    assert np.isfinite(supply).all()
    for row in rows:
        near = 1e-6 if drawn.supply_ohms[row] < OPEN_OHMS else 1e-3
        assert spice[f"s{row}"] == pytest.approx(supply[row], abs=near)
        assert spice[f"g{row}"] == pytest.approx(ground[row], abs=near)
