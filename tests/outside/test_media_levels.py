"""Levels of every medium and what simulated healthy buses show, against figures copied from published documents.

The figures are typed here again from the documents named, so that a slip in `casebase.bus.media` is found.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pytest

from casebase import places
from casebase.bus.bank import Bank
from casebase.bus.fault_tolerant import fault_tolerant_can
from casebase.bus.flexray import flexray
from casebase.bus.media import K_LINE_24_VOLT_OHMS, MEDIA, Figure, healthy_ohms
from casebase.bus.pair import high_speed_can
from casebase.bus.single_faults import k_line, lin, single_wire_can
from casebase.record.vocabulary import BusState, Line, Medium

PUBLISHED: Final = [
    # TI TCAN1042HGV 7.7; the same in TI TCAN1044V SLLSFG2
    (Medium.HIGH_SPEED_CAN, Line.CAN_HIGH, (2.0, 3.0), (2.75, 4.5)),
    (Medium.HIGH_SPEED_CAN, Line.CAN_LOW, (2.0, 3.0), (0.5, 2.25)),
    # NXP TJA1055 Rev 5, table 8: VCC - 0.2 V, VCC - 1.4 V with VCC 4.75 to 5.25 V
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_HIGH, (0.0, 0.2), (4.75 - 1.4, 5.25)),
    (Medium.FAULT_TOLERANT_CAN, Line.CAN_LOW, (4.75 - 0.2, 5.25), (0.0, 1.4)),
    # Melexis TH8055 Rev 1.1a, page 7
    (Medium.SINGLE_WIRE_CAN, Line.CAN_SINGLE, (-0.1, 0.2), (3.5, 4.55)),
    # TI TLIN1021-Q1 SLLSEU9D, shares of VSUP
    (Medium.LIN, Line.LIN, (0.85, 1.0), (0.0, 0.2)),
    # NXP TJA1083, table 11: 0.4 to 0.6 of 5 V; 2.5 V and half of up to 2 V
    (Medium.FLEXRAY, Line.BUS_PLUS, (0.4 * 5, 0.6 * 5), (2.5 - 2.0 / 2, 2.5 + 2.0 / 2)),
    (Medium.FLEXRAY, Line.BUS_MINUS, (0.4 * 5, 0.6 * 5), (2.5 - 2.0 / 2, 2.5 + 2.0 / 2)),
    # ISO 14230-1:2012, 8.2.2, as quoted: tester logic 1 above 90 % of VB; modules below 20 %, from memory
    (Medium.K_LINE, Line.K_LINE, (0.9, 1.0), (0.0, 0.2)),
]

RECEIVERS: Final = {
    Medium.HIGH_SPEED_CAN: (0.5, 0.9),  # NXP TJA1051 Rev 7, table 7
    Medium.FAULT_TOLERANT_CAN: (-3.5, -2.9),  # NXP TJA1055 Rev 5, table 8
    Medium.SINGLE_WIRE_CAN: (1.8, 2.2),  # Melexis TH8055 Rev 1.1a, page 7
    Medium.LIN: (0.4, 0.6),  # Infineon TLE9274QXV33 Rev 2.0, table 15
    Medium.FLEXRAY: (0.15, 0.30),  # NXP TJA1083, table 11
    Medium.K_LINE: (0.4, 0.6),  # ST L9613, table 5
}


@pytest.fixture(scope="module")
def banks() -> dict[Medium, Bank]:
    """A small bank of each medium."""
    models = (high_speed_can(), fault_tolerant_can(), flexray(), lin(), k_line(), single_wire_can())
    return {model.medium: Bank(model, places.simulation_folder(), per_state=500) for model in models}


def _healthy(bank: Bank, quantity: str) -> np.ndarray:
    """Return what healthy buses show at the DLC."""
    return np.asarray(bank.columns("nothing")[f"DLC|nothing|{quantity}"][bank.rows_of(BusState.HEALTHY)])


def _ends(figure: Figure) -> tuple[float, float]:
    return figure.low, figure.high


@pytest.mark.parametrize(("medium", "line", "recessive", "dominant"), PUBLISHED)
def test_levels_are_those_of_the_data_sheets(medium, line, recessive, dominant):
    """Recessive and dominant of each line."""
    levels = MEDIA[medium].lines[line]
    assert _ends(levels.recessive) == pytest.approx(recessive)
    assert _ends(levels.dominant) == pytest.approx(dominant)


@pytest.mark.parametrize("medium", list(RECEIVERS))
def test_thresholds_are_those_of_the_data_sheets(medium):
    """Where a receiver decides."""
    assert _ends(MEDIA[medium].receiver) == pytest.approx(RECEIVERS[medium])


@pytest.mark.slow
@pytest.mark.parametrize(("medium", "line", "recessive", "dominant"), PUBLISHED)
def test_healthy_simulated_buses_lie_within_the_data_sheets(banks, medium, line, recessive, dominant):
    """The median of simulated healthy buses, at rest and driven; LIN and K-line relative to a supply of 12 V."""
    side = {Line.CAN_HIGH: "high", Line.BUS_PLUS: "high", Line.CAN_LOW: "low", Line.BUS_MINUS: "low"}.get(
        line, "line"
    )
    supply = 13.1 if MEDIA[medium].of_supply else 1.0  # the middle of 11.6 to 14.6 V
    for level, (low, high) in (("recessive", recessive), ("dominant", dominant)):
        median = float(np.median(_healthy(banks[medium], f"{level}_{side}"))) / supply
        assert low - 0.02 <= median <= high + 0.02, level


def test_the_fault_tolerant_pair_swings_from_minus_5_to_plus_2_2_volts(banks):
    """Differential about -5 V recessive and +2.2 V dominant at 40 mA or more (NXP TJA1055 Rev 5; TJA1055_4)."""
    bank = banks[Medium.FAULT_TOLERANT_CAN]
    rest, driven = (
        float(np.median(_healthy(bank, f"{level}_high") - _healthy(bank, f"{level}_low")))
        for level in ("recessive", "dominant")
    )
    assert rest == pytest.approx(-5.0, abs=0.3)
    assert 2.2 <= driven <= 3.6


def test_flexray_ones_are_0_9_to_2_volts(banks):
    """NXP TJA1083, table 11."""
    bank = banks[Medium.FLEXRAY]
    assert 0.9 <= np.median(_healthy(bank, "dominant_high") - _healthy(bank, "dominant_low")) <= 2.0


@pytest.mark.parametrize(
    ("medium", "quantity", "low", "high"),
    [
        (Medium.HIGH_SPEED_CAN, "ohms_between", 50.0, 70.0),  # esd C.3032.21 Rev 1.1, Termination
        (Medium.FLEXRAY, "ohms_between", 40.0, 55.0),  # NXP TJA1083, table 11
        (Medium.SINGLE_WIRE_CAN, "ohms_line_ground", 270.0, 4596.0),  # Melexis TH8055 Rev 1.1a, page 10
    ],
)
def test_healthy_ohms_are_the_published_ones(banks, medium, quantity, low, high):
    """In the table, and for nearly every simulated healthy bus."""
    known = healthy_ohms(medium)
    assert known is not None
    assert _ends(known.ohms) == (low, high)
    ohms = _healthy(banks[medium], quantity)
    assert np.mean((ohms >= low) & (ohms <= high)) > 0.97


def test_the_tester_pulls_k_line_up_as_the_standard_says():
    """510 ohm +-5 % at 12 V, 1 kohm +-5 % at 24 V (ISO 14230-1:2012, 8.2.2, as quoted)."""
    assert _ends(MEDIA[Medium.K_LINE].termination) == pytest.approx((510 * 0.95, 510 * 1.05))
    assert _ends(K_LINE_24_VOLT_OHMS) == pytest.approx((950, 1050))


def test_each_single_wire_module_loads_the_line_with_9_1_kohm():
    """+-1 % (Melexis TH8055 Rev 1.1a, page 10); 2 to 32 modules then make 4.55 kohm down to 284 ohm (arithmetic)."""
    low, high = _ends(MEDIA[Medium.SINGLE_WIRE_CAN].termination)
    assert (low, high) == pytest.approx((9100 * 0.99, 9100 * 1.01))
    assert 270 < low / 32 < high / 2 < 4600
