"""The levels of every medium, as a picture of them needs them."""

import pytest

from casebase.bus.media import (
    DOMINANT_SHARE,
    MEDIA,
    SUPPLY_24_VOLTS,
    Band,
    expected_bands,
    healthy_ohms,
)
from casebase.record.vocabulary import LINES_OF_MEDIUM, Line, Medium


def _band(medium: Medium, line: Line, label: str, **supply: object) -> Band:
    return next(
        band
        for band in expected_bands(medium, **supply)  # type: ignore[arg-type]
        if (band.line, band.label) == (line, label)
    )


def test_can_fd_has_the_levels_of_high_speed_can():
    """It differs within frames alone (ISO 11898-2 for both; TI TCAN1044V SLLSFG2)."""
    assert expected_bands(Medium.CAN_FD) == expected_bands(Medium.HIGH_SPEED_CAN)
    assert MEDIA[Medium.CAN_FD] is MEDIA[Medium.HIGH_SPEED_CAN]


@pytest.mark.parametrize("medium", list(Medium))
def test_every_medium_has_levels_for_its_lines(medium):
    """L-line only wakes modules up and is left out (ISO 9141-2, from memory)."""
    assert set(MEDIA[medium].lines) == set(LINES_OF_MEDIUM[medium]) - {Line.L_LINE}


@pytest.mark.parametrize("medium", list(Medium))
def test_every_figure_names_where_it_comes_from(medium):
    """A document, or the plain word that there is none."""
    levels = MEDIA[medium]
    figures = [levels.receiver, levels.termination]
    figures += [figure for line in levels.lines.values() for figure in (line.recessive, line.dominant)]
    assert all(len(figure.source) > 10 and figure.low < figure.high for figure in figures)


def test_a_meter_on_high_speed_can_with_traffic_reads_2_5_to_3_and_2_to_2_5_volts():
    """2.5 V plus or minus 1 V times the dominant share (TI TCAN1042HGV 7.7, arithmetic)."""
    high, low = (
        _band(Medium.HIGH_SPEED_CAN, line, "average with traffic") for line in (Line.CAN_HIGH, Line.CAN_LOW)
    )
    assert (high.low, high.high) == pytest.approx((2.53, 2.95))
    assert (low.low, low.high) == pytest.approx((2.05, 2.47))


@pytest.mark.parametrize("medium", [Medium.HIGH_SPEED_CAN, Medium.J1939, Medium.FAULT_TOLERANT_CAN])
def test_the_mean_volts_of_a_pair_sum_to_five(medium):
    """What one line rises the other falls (driver symmetry, TI TCAN1044V SLLSFG2; NXP TJA1055)."""
    for share in (DOMINANT_SHARE.low, DOMINANT_SHARE.high):
        means = [
            rest + (driven - rest) * share
            for rest, driven in (it.typical for it in MEDIA[medium].lines.values())
        ]
        assert sum(means) == pytest.approx(5.0, abs=0.05)


def test_flexray_averages_where_it_idles():
    """Ones and zeros are driven with opposite signs and alternate, so the mean does not move (derived)."""
    mean = _band(Medium.FLEXRAY, Line.BUS_PLUS, "average with traffic")
    idle = _band(Medium.FLEXRAY, Line.BUS_PLUS, "recessive")
    assert (mean.low, mean.high) == (idle.low, idle.high)


def test_lin_levels_follow_the_supply():
    """Recessive from 0.85 VSUP up (TI TLIN1021-Q1 SLLSEU9D): 9.9 V on a car, 19.7 V on a truck."""
    assert _band(Medium.LIN, Line.LIN, "recessive").low == pytest.approx(9.86)
    assert _band(Medium.LIN, Line.LIN, "recessive", supply=SUPPLY_24_VOLTS).low == pytest.approx(19.72)


def test_ohms_are_given_only_where_they_tell_something():
    """A diode in each LIN pull-up makes meters lie; fault-tolerant transceivers let go when unpowered."""
    assert [medium for medium in Medium if healthy_ohms(medium) is None] == [
        Medium.FAULT_TOLERANT_CAN,
        Medium.LIN,
        Medium.K_LINE,
    ]
    ohms = healthy_ohms(Medium.HIGH_SPEED_CAN)
    assert ohms is not None
    assert (ohms.ohms.low, ohms.ohms.high) == (50.0, 70.0)


def test_an_idle_fault_tolerant_bus_is_recessive_to_its_receivers():
    """0 V minus 5 V lies below the threshold of -3.5 to -2.9 V, 3.6 minus 1.4 above it (NXP TJA1055 table 8)."""
    levels = MEDIA[Medium.FAULT_TOLERANT_CAN]
    high, low = levels.lines[Line.CAN_HIGH].typical, levels.lines[Line.CAN_LOW].typical
    assert high[0] - low[0] < levels.receiver.low < levels.receiver.high < high[1] - low[1]
