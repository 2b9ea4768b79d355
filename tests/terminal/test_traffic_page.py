"""The page of a log: each kind of finding is told in plain words, and what cannot be told is said."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import can
import pytest
from rich.console import Console

from casebase.intake.bus_log.report import BitRates, report_of
from casebase.intake.bus_log.traffic import read_traffic
from casebase.terminal.page import Page
from casebase.terminal.traffic import print_traffic
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


def shown(path: Path, *, good: Path | None = None, every: bool = False, rate: float | None = None) -> str:
    """Return the page of a log as one line of words."""
    out = StringIO()
    report = report_of(read_traffic(path), read_traffic(good) if good else None, rates=BitRates(rate))
    print_traffic(report, Page(Console(file=out, width=100, highlight=False, markup=False)), every=every)
    return " ".join(out.getvalue().split())


def test_bus_off_of_the_logger_is_told_as_its_own(tmp_path: Path) -> None:
    """Class 0x40 of linux/can/error.h speaks of the controller that logged."""
    path = write(tmp_path / "a.log", messages(ENGINE, 5))
    path.write_text(path.read_text() + "(1600000005.100000) can0 20000040#0000000000000000\n")
    assert "The logger's own controller told bus off: of itself, not of a module" in shown(path)


def test_what_a_format_does_not_tell_is_said(tmp_path: Path) -> None:
    """A TRC log's error frames are not read: that is not the same as none."""
    told = shown(write(tmp_path / "a.trc", messages(ENGINE, 5)))
    assert "Error frames: not known, this format of log does not tell them here" in told
    assert "load not known without the bit rate (--bit-rate)" in told


@pytest.mark.slow
def test_two_channels_stand_under_headings_of_their_own(tmp_path: Path) -> None:
    """Each with its silences; the known-good log has one of them."""
    second = messages(silent(BRAKES, (10, 99)), 20)
    for message in second:
        message.channel = 1
    path = write(tmp_path / "a.log", messages(ENGINE, 20) + second)
    told = shown(path, good=write(tmp_path / "good.log", messages(ENGINE, 20)))
    assert told.index("Channel can0") < told.index("Channel can1")
    assert "Nothing is missing, late, new, or of another length." in told
    assert "It has no channel can1: nothing to compare with." in told
    assert "No frame at all from 9.98 s to the end of the log" in told or "to the end of the log" in told


def test_parameter_group_and_priority_stand_with_the_source_address(tmp_path: Path) -> None:
    """0CF00400: priority 3, group 61444, address 0 (SAE J1939-21)."""
    path = write(tmp_path / "a.log", messages((Sender(0x0CF00400, 0.02, extended=True),), 5))
    assert "parameter group 61444, priority 3; source address 0 (engine control)" in shown(path)


def test_can_fd_is_told_with_its_error_passive_senders(tmp_path: Path) -> None:
    """The error state indicator of a frame is set by its sender."""
    sent = [
        can.Message(
            timestamp=1 + place / 100,
            arbitration_id=0x123,
            is_extended_id=False,
            is_fd=True,
            bitrate_switch=True,
            error_state_indicator=place < 7,
            data=bytes(16),
            channel=0,
        )
        for place in range(300)
    ]
    told = shown(write(tmp_path / "a.log", sent), rate=500_000)
    assert "300 of 300 frames, 300 with the faster data phase; 7 from senders that are error passive" in told
    assert "load at most" in told
    assert "(--data-bit-rate)" in told


@pytest.mark.slow
def test_many_findings_are_bounded_until_all_are_asked_for(tmp_path: Path) -> None:
    """Twenty senders that fall silent for a while, one long after the other."""
    many = [Sender(0x100 + place, 0.1, silent=((10 + 9 * place, 13 + 9 * place),)) for place in range(20)]
    others = [Sender(0x200 + place, 0.5) for place in range(30)]
    path = write(tmp_path / "a.log", messages((*CLUSTER, *many, *others), 200) + errors([3.0]))
    short = shown(path)
    assert "and 8 more; --all lists them" in short
    assert "113 fell silent" not in short
    assert "113 fell silent" in shown(path, every=True)


def test_of_a_log_of_one_frame_little_can_be_told_and_that_is_said(tmp_path: Path) -> None:
    """No period, no silence, no load."""
    path = tmp_path / "one.log"
    path.write_text("(1.5) can0 123#11\n")
    told = shown(path, rate=500_000)
    assert "1 frame in 0.00 s" in told
    assert "Cannot be told: no identifier here has a steady period." in told
    assert "load not known: the log is too short, or holds no frame" in told
    assert "1 byte" in told


def test_a_clock_set_back_is_told(tmp_path: Path) -> None:
    """Gaps across it mean nothing."""
    path = write(tmp_path / "a.log", messages(CLUSTER, 20))
    lines = path.read_text()
    path.write_text(lines + lines)
    assert "set back 1 time within the log; what was sent after that counts on" in shown(path)
