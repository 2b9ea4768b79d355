"""Logs that python-can writes are read as python-can itself reads them, frame by frame, in every format."""

import random

import can
import numpy as np
import pytest

from casebase.intake.bus_log.frames import ERROR, EXTENDED, Channels, block_of
from casebase.intake.bus_log.open_log import open_log

ENDINGS = [".log", ".asc", ".trc", ".csv", ".blf", ".mf4"]
COLUMNS = ["seconds", "identifiers", "kinds", "lengths"]


def traffic(seed, *, fd, errors, remote, count=400):
    """Return invented frames of every kind a format can hold."""
    chance = random.Random(seed)
    sent = []
    for number in range(count):
        at = 1_600_000_000 + round(number * 0.0137, 6)
        kind = number % 10
        if kind == 9 and errors:
            sent.append(can.Message(timestamp=at, is_error_frame=True, channel=0))
            continue
        extended = chance.random() < 0.4
        is_fd = fd and kind in (3, 4)
        is_remote = remote and kind == 7
        sent.append(
            can.Message(
                timestamp=at,
                arbitration_id=chance.randrange(1 << (29 if extended else 11)),
                is_extended_id=extended,
                is_fd=is_fd,
                bitrate_switch=is_fd and kind == 4,
                error_state_indicator=is_fd and number % 20 == 3,
                is_remote_frame=is_remote,
                is_rx=chance.random() < 0.8,
                dlc=0 if is_remote else None,
                data=b""
                if is_remote
                else chance.randbytes(chance.choice([12, 16, 64]) if is_fd else chance.randint(0, 8)),
                channel=0,
            )
        )
    return sent


def written(path, sent):
    """Write messages as python-can does."""
    with can.Logger(str(path)) as writer:
        for message in sent:
            writer.on_message_received(message)
    return path


def read_here(path):
    """Return all blocks of a log put together, with rows of 64 bytes."""
    log = open_log(path)
    blocks = list(log.blocks())
    found = {name: np.concatenate([getattr(block, name) for block in blocks]) for name in COLUMNS}
    found["data"] = np.concatenate(
        [np.pad(block.data, ((0, 0), (0, 64 - block.data.shape[1]))) for block in blocks]
    )
    return found


def read_there(path):
    """Return what python-can reads."""
    block = block_of(list(can.LogReader(str(path))), Channels())
    found = {name: getattr(block, name) for name in COLUMNS}
    return found | {"data": np.pad(block.data, ((0, 0), (0, 64 - block.data.shape[1])))}


def assert_same(path):
    """Assert that both readings agree; of an error frame python-can tells no format of its identifier."""
    here, there = read_here(path), read_there(path)
    error = (there["kinds"] & ERROR) != 0
    assert len(here["seconds"]) == len(there["seconds"]) > 0
    assert np.array_equal((here["kinds"] & ERROR) != 0, error)
    for name in (*COLUMNS, "data"):
        assert np.array_equal(here[name][~error], there[name][~error]), name
    assert np.array_equal(here["seconds"], there["seconds"])


@pytest.mark.slow
@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("seed", [1, 2])
def test_classical_frames_are_read_alike(ending, seed, tmp_path):
    """11 and 29 bits, 0 to 8 bytes, received and sent."""
    assert_same(written(tmp_path / f"log{ending}", traffic(seed, fd=False, errors=False, remote=False)))


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".log", ".asc", ".csv", ".blf", ".mf4"])
def test_error_frames_and_remote_frames_are_read_alike(ending, tmp_path):
    """TRC logs hold no error frames that python-can would read."""
    assert_same(written(tmp_path / f"log{ending}", traffic(3, fd=False, errors=True, remote=True)))


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".log", ".asc", ".blf", ".mf4"])
def test_frames_of_can_fd_are_read_alike(ending, tmp_path):
    """With and without the faster data phase, from senders that are error passive too."""
    assert_same(written(tmp_path / f"log{ending}", traffic(4, fd=True, errors=False, remote=False)))


def test_odd_lines_between_plain_ones_keep_their_place(tmp_path):
    """A comment, an unusual time, small letters: what is not plain goes through python-can's own reader."""
    path = written(tmp_path / "log.log", traffic(5, fd=False, errors=False, remote=False, count=30))
    lines = path.read_text().splitlines()
    lines[4:4] = ["", "(1.6e9) vcan1 7e8#0211aa", "   ", "(1600000000.5) 7 001#R4"]
    path.write_text("\n".join(lines) + "\n")
    assert_same(path)
    assert read_here(path)["seconds"][4] == 1.6e9


def test_versions_of_trc_logs_are_read_alike(tmp_path):
    """1.0 without a header, 1.1, 1.3, and 2.0 with lengths in bytes."""
    data = "11 22 33"
    versions = {
        "1.0": f";\n     1)      20 0123 3 {data}\n     2)      30 18FEF100 3 {data}\n",
        "1.1": f";$FILEVERSION=1.1\n;$STARTTIME=44087.5\n;\n"
        f"     1)        20.4  Rx         0123  3  {data} \n     2)  30.5  Rx     18FEF100  3  {data} \n",
        "1.3": f";$FILEVERSION=1.3\n;$STARTTIME=44087.5\n;\n     1)  20.4 1  Rx  0123 -  3    {data} \n",
        "2.0": ";$FILEVERSION=2.0\n;$STARTTIME=44087.5\n;$COLUMNS=N,O,T,I,d,l,D\n;\n"
        f"      1   20.4 DT     0123 Rx 3  {data} \n      2  30.5 DT 18FEF100 Rx 3  {data} \n",
    }
    for version, text in versions.items():
        path = tmp_path / f"{version}.trc"
        path.write_text(text)
        assert_same(path)


def test_asc_logs_of_base_dec_are_read_alike(tmp_path):
    """Numbers in decimal: identifier 291 is 123 in hex."""
    path = tmp_path / "log.asc"
    path.write_text(
        "date Sun Sep 13 12:26:40.000 2020\nbase dec  timestamps absolute\ninternal events logged\n"
        "   0.100000 1  291             Rx   d 2 17 34\n   0.200000 2  419361024x      Tx   d 1 255\n"
    )
    assert_same(path)
    found = read_here(path)
    assert found["identifiers"].tolist() == [0x123, 419361024]
    assert (found["kinds"] & EXTENDED).tolist() == [0, EXTENDED]


def test_a_log_of_two_channels_keeps_them_apart(tmp_path):
    """Channel names stand in the log as its writer gave them."""
    sent = traffic(6, fd=False, errors=False, remote=False, count=20)
    for number, message in enumerate(sent):
        message.channel = number % 2
    log = open_log(written(tmp_path / "log.blf", sent))
    found = np.concatenate([block.channels for block in log.blocks()])
    assert [log.channels.names[number] for number in found] == ["1", "2"] * 10
