"""What a log says of the bus: counts, periods, gaps, load, error frames; each known from how it was made."""

from __future__ import annotations

import random
from pathlib import Path

import can
import pytest

from casebase.errors import CaptureError
from casebase.intake.bus_log import tally
from casebase.intake.bus_log.report import BitRates, Report, report_of
from casebase.intake.bus_log.silence import returns
from casebase.intake.bus_log.traffic import IdentifierKey, read_traffic
from tests.intake.bus_log.invented_logs import (
    BRAKES,
    CLUSTER,
    ENGINE,
    Sender,
    errors,
    messages,
    silent,
    write,
)


def key(number: int, *, extended: bool = False) -> IdentifierKey:
    """Return an identifier."""
    return IdentifierKey(extended, number)


def report(path: Path, sent: list[can.Message], **more) -> Report:
    """Return what follows from a candump log of these messages."""
    return report_of(read_traffic(write(path / "log.log", sent)), **more)


TABLE = {
    key(one.identifier): name
    for name, senders in (("ECM", ENGINE), ("ABS", BRAKES), ("IPC", CLUSTER))
    for one in senders
}


@pytest.mark.slow
def test_periods_counts_and_lengths_are_those_of_the_senders(tmp_path: Path) -> None:
    """The median interval is the period to one part in a hundred; the jitter stays below what was drawn."""
    bus = report(tmp_path, messages((*ENGINE, *BRAKES, *CLUSTER), 60)).buses[0].bus
    assert len(bus.identifiers) == 7
    for sender in (*ENGINE, *BRAKES, *CLUSTER):
        found = bus.identifier(key(sender.identifier))
        assert found is not None
        assert found.steady
        assert found.period == pytest.approx(sender.period, rel=0.01)
        assert found.jitter is not None
        assert found.jitter <= 0.01 * sender.period
        assert found.count == pytest.approx(60 / sender.period, abs=1)
        assert found.lengths == (sender.length,)


def test_the_longest_gap_is_told_with_when_it_began(tmp_path: Path) -> None:
    """A second without one identifier."""
    found = report(tmp_path, messages((*ENGINE, *silent(BRAKES[:1], (20, 21))), 40)).buses[0]
    gap, begin = found.bus.identifier(key(0x1A0)).gaps[0]
    assert gap == pytest.approx(1.0, abs=0.03)
    assert begin == pytest.approx(20.0, abs=0.03)


def test_a_module_that_stops_is_told_as_one_with_when(tmp_path: Path) -> None:
    """All its identifiers together, by the table; nobody else."""
    sent = messages((*ENGINE, *silent(BRAKES, (12, 99)), *CLUSTER), 30)
    (found,) = report(tmp_path, sent, modules=TABLE).buses[0].silences
    assert found.sender == "ABS"
    assert found.whole_sender
    assert found.end is None
    assert found.begin == pytest.approx(12.0, abs=0.03)
    assert {one.number for one in found.identifiers} == {one.identifier for one in BRAKES}


def test_without_a_table_identifiers_that_stop_together_are_told_together(tmp_path: Path) -> None:
    """They may have one sender; the log does not say."""
    sent = messages((*ENGINE, *silent(BRAKES, (12, 99)), *silent(CLUSTER, (9, 99))), 30)
    cluster, brakes = report(tmp_path, sent).buses[0].silences
    assert [one.number for one in cluster.identifiers] == [0x400, 0x420]
    assert len(brakes.identifiers) == 3
    assert brakes.sender is None
    assert not brakes.whole_sender


def test_a_module_of_which_a_part_stops_is_not_called_silent(tmp_path: Path) -> None:
    """It still sends something."""
    sent = messages((*ENGINE, *silent(BRAKES[:2], (12, 99)), BRAKES[2]), 30)
    (found,) = report(tmp_path, sent, modules=TABLE).buses[0].silences
    assert found.sender == "ABS"
    assert not found.whole_sender


def test_a_module_that_comes_and_goes_is_told_with_the_error_frames_near(tmp_path: Path) -> None:
    """Three times for two seconds, and a burst of error frames each time: as after bus off."""
    spans = ((5, 7), (15, 17), (22, 24))
    bursts = errors(at - 0.01 + 0.001 * place for at, _ in spans for place in range(5))
    sent = messages((*ENGINE, *silent(BRAKES, *spans)), 30) + bursts
    found = report(tmp_path, sent, modules=TABLE).buses[0]
    assert list(returns(found.silences).values()) == [3]
    assert [one.error_frames_near for one in found.silences] == [5, 5, 5]
    assert [one.end for one in found.silences] == pytest.approx([7, 17, 24], abs=0.11)
    assert found.bus.error_frames.count == 15
    assert [burst.count for burst in found.bus.error_frames.bursts] == [5, 5, 5]


def test_a_pause_of_the_whole_bus_is_no_silence_of_anybody(tmp_path: Path) -> None:
    """Nobody sent for three seconds: told once, of the bus."""
    everybody = silent((*ENGINE, *BRAKES), (10, 13))
    found = report(tmp_path, messages(everybody, 30)).buses[0]
    assert found.silences == ()
    (pause,) = found.pauses
    assert pause.begin == pytest.approx(10, abs=0.03)
    assert pause.end == pytest.approx(13, abs=0.03)


def test_a_channel_that_dies_while_the_other_goes_on_is_a_pause_to_the_end(tmp_path: Path) -> None:
    """The end is that of the log, not of the channel's last frame."""
    first = messages(ENGINE, 30)
    second = messages(silent(BRAKES, (10, 99)), 30, seed=2)
    for message in second:
        message.channel = 1
    found = report(tmp_path, first + second)
    assert [one.bus.channel for one in found.buses] == ["can0", "can1"]
    assert found.buses[0].pauses == ()
    (pause,) = found.buses[1].pauses
    assert pause.end is None
    assert pause.begin == pytest.approx(10, abs=0.03)


def test_an_identifier_sent_on_events_is_never_called_silent(tmp_path: Path) -> None:
    """Long and short intervals in turn: it has no period to fall behind."""
    moments = [0.0]
    while moments[-1] < 50:
        moments.append(moments[-1] + (0.01 if len(moments) % 3 else 7.0))
    sent = messages(ENGINE, 60) + [
        can.Message(timestamp=1_600_000_000 + at, arbitration_id=0x555, is_extended_id=False, channel=0)
        for at in moments
    ]
    found = report(tmp_path, sent).buses[0]
    assert not found.bus.identifier(key(0x555)).steady
    assert found.silences == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8))
def test_on_a_healthy_bus_nobody_is_called_silent(seed: int, tmp_path: Path) -> None:
    """Jitter of a tenth, one frame in fifty lost, frames between on events, and one who sends at random."""
    chance = random.Random(seed)
    uneven = [
        Sender(one.identifier, one.period, one.length, jitter=0.1) for one in (*ENGINE, *BRAKES, *CLUSTER)
    ]
    sent = [one for one in messages(uneven, 60, seed=seed) if chance.random() > 0.02]
    for identifier, rate in ((0x1A4, 3), (0x555, 5)):
        at = 0.0
        while (at := at + chance.expovariate(rate)) < 60:
            sent.append(
                can.Message(
                    timestamp=1_600_000_000 + at, arbitration_id=identifier, is_extended_id=False, channel=0
                )
            )
    found = report(tmp_path, sent).buses[0]
    assert found.silences == ()
    assert found.pauses == ()
    assert sum(one.steady for one in found.bus.identifiers) == 7


def test_bus_load_is_bits_over_bit_rate(tmp_path: Path) -> None:
    """135 bits every 10 ms at 500 kbit/s are 2.7 %; here 127 bits: identifier 0 and eight bytes of zeros.

    127 bits: can-utils canframelen.c.
    """
    sent = [
        can.Message(timestamp=1 + 0.01 * place, is_extended_id=False, data=bytes(8), channel=0)
        for place in range(1001)
    ]
    load = report(tmp_path, sent, rates=BitRates(500_000)).buses[0].load
    assert load.mean == pytest.approx(127 * 1001 / 500_000 / 10)
    assert load.without_stuffing == pytest.approx(111 * 1001 / 500_000 / 10)
    assert load.peak == pytest.approx(127 * 100 / 500_000, rel=0.02)
    assert report(tmp_path, sent).buses[0].load is None


def test_the_fullest_second_is_found(tmp_path: Path) -> None:
    """Ten times the traffic from second 7 to 8."""
    crowd = [Sender(0x600 + place, 0.01, silent=((0, 7), (8, 99))) for place in range(20)]
    load = report(tmp_path, messages((*ENGINE, *crowd), 20), rates=BitRates(500_000)).buses[0].load
    assert load.peak_begin == 7
    assert load.peak > 5 * load.mean


def test_of_can_fd_the_load_is_an_upper_bound_until_somebody_says_the_faster_rate(tmp_path: Path) -> None:
    """The data phase at the nominal rate would take longer."""
    sent = [
        can.Message(
            timestamp=1 + 0.01 * place,
            is_extended_id=False,
            is_fd=True,
            bitrate_switch=True,
            data=bytes(range(64)),
            channel=0,
        )
        for place in range(200)
    ]
    bound = report(tmp_path, sent, rates=BitRates(500_000)).buses[0].load
    known = report(tmp_path, sent, rates=BitRates(500_000, 2_000_000)).buses[0].load
    assert bound.at_most
    assert not known.at_most
    assert known.mean < 0.4 * bound.mean


def test_senders_of_j1939_are_told_by_their_address(tmp_path: Path) -> None:
    """Address 33 stops; which one that is a table of preferred addresses says (SAE J1939, table B2)."""
    sent = messages(
        (
            Sender(0x0CF00400, 0.02, extended=True),
            Sender(0x18FEF100, 0.1, extended=True),
            Sender(0x18FEF021, 0.1, extended=True, silent=((8, 99),)),
            Sender(0x18FECA21, 1, extended=True, silent=((8, 99),)),
        ),
        30,
    )
    found = report(tmp_path, sent).buses[0]
    assert found.j1939
    (silence,) = found.silences
    assert silence.sender == "source address 33 (body control)"
    assert silence.whole_sender


def test_29_bits_alone_are_not_j1939(tmp_path: Path) -> None:
    """Without one of its usual parameter groups the last byte is nobody's address."""
    found = report(tmp_path, messages((Sender(0x12345678, 0.1, extended=True),), 5)).buses[0]
    assert not found.j1939
    assert found.senders == {}


def test_a_clock_set_back_makes_no_gaps(tmp_path: Path) -> None:
    """It is told; intervals across it are left out."""
    later, earlier = messages(ENGINE, 10, begin=1_600_000_100), messages(ENGINE, 10, begin=1_600_000_000)
    path = tmp_path / "log.log"
    lines = [
        write(tmp_path / f"{place}.log", sent).read_text() for place, sent in enumerate((later, earlier))
    ]
    path.write_text("".join(lines))
    found = report_of(read_traffic(path)).buses[0]
    assert found.bus.clock_set_back == 1
    assert found.bus.identifier(key(0x0C8)).period == pytest.approx(0.01, rel=0.01)
    assert found.bus.identifier(key(0x0C8)).gaps[0][0] < 0.02


def test_of_many_intervals_a_fair_sample_keeps_the_median(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory stays the same however long the log; the period does too."""
    monkeypatch.setattr(tally, "SAMPLED_INTERVALS", 64)
    found = report(tmp_path, messages((*ENGINE, *silent(BRAKES, (12, 99))), 30))
    for sender in ENGINE:
        one = found.buses[0].bus.identifier(key(sender.identifier))
        assert one.period == pytest.approx(sender.period, rel=0.01)
        assert one.count > 1000
    assert len(found.buses[0].silences[0].identifiers) == 3


def test_a_log_with_more_identifiers_than_any_bus_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is noise, or several buses in one."""
    monkeypatch.setattr(tally, "MOST_IDENTIFIERS", 5)
    with pytest.raises(CaptureError, match=r"log\.log: more than 5 identifiers on one channel"):
        report(tmp_path, messages((*ENGINE, *BRAKES, *CLUSTER), 2))


def test_a_log_of_error_frames_alone_is_a_log(tmp_path: Path) -> None:
    """Nothing but errors: a bus on which nobody gets a frame through."""
    found = report(tmp_path, errors(0.001 * place for place in range(500)), rates=BitRates(500_000))
    bus = found.buses[0].bus
    assert bus.frames == 0
    assert bus.error_frames.count == 500
    assert found.buses[0].load is None
