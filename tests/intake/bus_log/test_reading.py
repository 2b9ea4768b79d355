"""Logs that cannot be read are refused in one sentence with the place; nothing is guessed."""

from __future__ import annotations

import random
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casebase.errors import CaptureError
from casebase.intake.bus_log import mf4_log
from casebase.intake.bus_log.frames import ERROR, EXTENDED, FD
from casebase.intake.bus_log.open_log import ENDINGS, open_log
from tests.intake.bus_log.invented_logs import BRAKES, ENGINE, messages, write

LINE = "(1600000000.000792) can0 123#1122\n"


def frames(path: Path) -> int:
    """Return how many frames a log has."""
    return sum(len(block) for block in open_log(path).blocks())


def written(path: Path, text: str) -> Path:
    """Write a text file as it is."""
    path.write_bytes(text.encode())
    return path


def read_or_refused(path: Path) -> bool:
    """Return whether a log was read, or refused in a sentence that begins with its name."""
    try:
        return frames(path) > 0
    except CaptureError as error:
        return str(error).startswith(f"{path}: ")


def test_a_candump_line_is_a_frame(tmp_path: Path) -> None:
    """Time, identifier, data, channel."""
    (block,) = open_log(written(tmp_path / "a.log", LINE)).blocks()
    assert block.seconds[0] == 1600000000.000792
    assert block.identifiers[0] == 0x123
    assert block.data[0].tolist() == [0x11, 0x22, 0, 0, 0, 0, 0, 0]
    assert block.lengths[0] == 2


def test_lines_may_end_as_on_any_system(tmp_path: Path) -> None:
    """Line feeds alone, or with carriage returns."""
    assert frames(written(tmp_path / "a.log", LINE * 3)) == 3
    assert frames(written(tmp_path / "b.log", LINE.replace("\n", "\r\n") * 3)) == 3


def test_of_a_log_cut_off_within_a_line_the_rest_is_read_and_the_line_told(tmp_path: Path) -> None:
    """What is left of the last frame looks like a shorter frame: it must not be taken for one."""
    log = open_log(written(tmp_path / "cut.log", LINE * 4 + LINE[:-3]))
    assert sum(len(block) for block in log.blocks()) == 4
    assert "the last line (5: (1600000000.000792) can0 123#11" in log.notes[0]


def test_an_asc_log_may_end_without_a_line_break_at_its_end_mark_alone(tmp_path: Path) -> None:
    """End TriggerBlock is whole; half a frame is left out."""
    frame = "   0.1 1  123             Rx   d 2 11 22\n"
    assert frames(written(tmp_path / "a.asc", f"base hex\n{frame}{frame}End TriggerBlock")) == 2
    assert frames(written(tmp_path / "b.asc", f"base hex\n{frame}   0.2 1  123")) == 1


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("(1600000000.1) can0 123#112G", "line 2"),
        ("(nan) can0 123#1122", "time nan"),
        ("(-1.0) can0 123#1122", "time -1"),
        ("(1e300) can0 123#1122", "time 1e"),
        ("(1600000000.1) can0 FFF#1122", "identifier FFF is too large"),
        ("(1600000000.1) can0 123", "line 2"),
        ("nothing of it", "line 2"),
        ("(1600000000.1) can0 123#112233445566778899", "line 2"),
        ("(1600000000.1) can0 123##1" + "00" * 9, "line 2"),
        ("(1600000000.1) can0 123#R99999", "line 2"),
    ],
)
def test_a_line_that_is_no_frame_is_named(line: str, told: str, tmp_path: Path) -> None:
    """The sentence says where and what stands there, or what cannot be."""
    path = written(tmp_path / "a.log", f"{LINE}{line}\n{LINE}")
    with pytest.raises(CaptureError, match=told):
        frames(path)


def test_files_that_are_no_logs_are_refused(tmp_path: Path) -> None:
    """Empty, another format behind the ending, an ending that is not known, no file, a folder."""
    cases = {
        written(tmp_path / "empty.log", ""): "no frame in it",
        written(tmp_path / "text.asc", "hello\n" * 5): "it begins with 'hello'",
        written(tmp_path / "nul.log", "a\0b\n"): "no line of text",
        written(tmp_path / "other.csv", "time;speed;data\n1;2;3\n"): "no log of a known format",
        written(tmp_path / "log.blf", LINE * 9): "does not begin as a BLF log",
        written(tmp_path / "log.mf4", LINE): "no MF4 log",
        written(tmp_path / "log.dat", "speed: 12\n" * 9): "no log of a known format",
        tmp_path / "none.log": "no such file",
    }
    for path, told in cases.items():
        with pytest.raises(CaptureError, match=told):
            frames(path)


def test_a_blf_log_that_is_cut_off_is_refused_by_its_own_header(tmp_path: Path) -> None:
    """python-can reads it in silence as far as it goes."""
    path = write(tmp_path / "log.blf", messages(ENGINE, 3))
    whole = path.read_bytes()
    path.write_bytes(whole[:-100])
    with pytest.raises(
        CaptureError, match=rf"header says {len(whole)} bytes, the file has {len(whole) - 100}"
    ):
        frames(path)


def test_a_blf_log_whose_last_container_is_not_whole_is_refused(tmp_path: Path) -> None:
    """Even where its header was made to fit."""
    path = write(tmp_path / "log.blf", messages(ENGINE, 3))
    whole = path.read_bytes()[:-64]
    path.write_bytes(whole[:16] + len(whole).to_bytes(8, "little") + whole[24:])
    with pytest.raises(CaptureError, match=r"at byte \d+: .*copy it again"):
        frames(path)


def test_without_the_extra_an_mf4_log_is_refused_with_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And with what else to do."""
    monkeypatch.setattr(mf4_log.importlib.util, "find_spec", lambda _: None)
    path = written(tmp_path / "log.mf4", "MDF     ")
    with pytest.raises(CaptureError, match=r"pip install 'casebase\[mf4\]'"):
        frames(path)


def test_error_messages_of_every_class_are_error_frames_in_a_candump_log(tmp_path: Path) -> None:
    """Bus off (0x40) and restarted (0x100) of linux/can/error.h, which python-can takes for data frames."""
    text = "".join(
        f"(1.{place}) can0 {0x20000000 | bits:08X}#0000000000000000\n"
        for place, bits in enumerate((0x40, 0x100))
    )
    (block,) = open_log(written(tmp_path / "a.log", text)).blocks()
    assert block.having(ERROR).all()
    assert block.error_classes.tolist() == [0x40, 0x100]


def test_progress_tells_bytes_read_of_all(tmp_path: Path) -> None:
    """It grows, and ends with all."""
    path = write(tmp_path / "log.log", messages((*ENGINE, *BRAKES), 5))
    told: list[tuple[int, int]] = []
    list(open_log(path).blocks(lambda done, whole: told.append((done, whole))))
    assert told == sorted(told)
    assert told[-1] == (path.stat().st_size, path.stat().st_size)


@pytest.mark.slow
@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=st.text(st.characters(max_codepoint=255), max_size=200), ending=st.sampled_from(ENDINGS))
def test_any_text_is_read_or_refused_in_a_sentence(text: str, ending: str, tmp_path: Path) -> None:
    """Never anything else."""
    path = tmp_path / f"any{ending}"
    path.write_text(text, encoding="latin-1")
    assert read_or_refused(path)


_FRAMES = st.builds(
    lambda at, extended, identifier, data: can.Message(
        timestamp=at / 1000,
        arbitration_id=identifier if extended else identifier & 0x7FF,
        is_extended_id=extended,
        data=data,
        channel=0,
    ),
    st.integers(0, 10**9),
    st.booleans(),
    st.integers(0, 0x1FFF_FFFF),
    st.binary(max_size=8),
)


@pytest.mark.slow
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    sent=st.lists(_FRAMES, min_size=1, max_size=30), ending=st.sampled_from([".log", ".asc", ".csv", ".blf"])
)
def test_what_is_written_is_read_again(sent: list[can.Message], ending: str, tmp_path: Path) -> None:
    """Identifier, format, length and data of every frame, in every format that keeps them."""
    sent.sort(key=lambda message: message.timestamp)
    blocks = list(open_log(write(tmp_path / f"log{ending}", sent)).blocks())
    rows = [
        (int(number), bool(kind & EXTENDED), bytes(data[:length].tolist()))
        for block in blocks
        for number, kind, length, data in zip(
            block.identifiers, block.kinds, block.lengths, block.data, strict=True
        )
    ]
    assert rows == [(one.arbitration_id, one.is_extended_id, bytes(one.data)) for one in sent]


@pytest.mark.slow
@pytest.mark.parametrize("ending", [".log", ".asc", ".trc", ".csv", ".blf", ".mf4"])
def test_spoilt_logs_are_read_or_refused_in_a_sentence(ending: str, tmp_path: Path) -> None:
    """Bits flipped, parts lost, words put between: eighty of each format."""
    sent = messages((*ENGINE, *BRAKES), 2)
    if ending in (".log", ".asc", ".blf", ".mf4"):
        sent[5] = can.Message(timestamp=sent[5].timestamp, is_fd=True, data=bytes(20), channel=0)
    # A packed container hides from most of the spoiling behind its check sum.
    how = {"compression_level": 0} if ending == ".blf" else {}
    good = write(tmp_path / f"good{ending}", sent, **how).read_bytes()
    chance = random.Random(ending)
    path = tmp_path / f"spoilt{ending}"
    for _ in range(80):
        data = bytearray(good)
        for _ in range(chance.randint(1, 6)):
            place = chance.randrange(len(data))
            data[place : place + chance.choice([0, 1, 40])] = chance.randbytes(chance.choice([0, 1, 4]))
        path.write_bytes(bytes(data))
        assert read_or_refused(path)


def test_a_log_of_hundreds_of_channels_is_refused(tmp_path: Path) -> None:
    """No vehicle has so many: it is noise."""
    text = "".join(LINE.replace("can0", f"can{number}") for number in range(200))
    with pytest.raises(CaptureError, match=r"a\.log: more than 64 channels"):
        frames(written(tmp_path / "a.log", text))


def test_frames_of_can_fd_are_told_apart(tmp_path: Path) -> None:
    """Two crosses instead of one, then a digit of flags."""
    (block,) = open_log(
        written(tmp_path / "a.log", f"{LINE}(1600000000.1) can0 123##1{'00' * 12}\n")
    ).blocks()
    assert block.having(FD).tolist() == [False, True]
    assert block.lengths.tolist() == [2, 12]
