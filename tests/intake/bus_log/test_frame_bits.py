"""How long frames are on the bus."""

from __future__ import annotations

import can
import numpy as np
import pytest

from casebase.intake.bus_log.frame_bits import frame_bits
from casebase.intake.bus_log.frames import FD_LENGTHS, Channels, block_of


def bits_of(**frame) -> tuple[int, int, int]:
    """Return nominal bits, data-phase bits and bits without stuffing of one frame."""
    found = frame_bits(block_of([can.Message(**frame)], Channels()))
    return int(found.nominal[0]), int(found.data_phase[0]), int(found.shortest[0])


def stuffed_by_hand(bits: str) -> int:
    """Count the stuff bits of a string of bits, one by one: after five alike comes one that is not."""
    count, last, same = 0, "", 0
    for bit in bits:
        same = same + 1 if bit == last else 1
        last = bit
        if same == 5:
            count, last, same = count + 1, "1" if bit == "0" else "0", 1
    return count


def classical_bits(
    identifier: int, data: bytes, *, extended: bool, remote: bool = False, asks_for: int = 0
) -> str:
    """Return a frame from start of frame to the end of its CRC, bit by bit."""
    code = f"{asks_for if remote else len(data):04b}"
    if extended:
        number = f"{identifier:029b}"
        head = f"0{number[:11]}11{number[11:]}{int(remote)}00{code}"
    else:
        head = f"0{identifier:011b}{int(remote)}00{code}"
    bits = head + "".join(f"{byte:08b}" for byte in data)
    crc = 0
    for bit in bits:
        feedback = int(bit) ^ (crc >> 14)
        crc = (crc << 1) & 0x7FFF
        crc ^= 0x4599 if feedback else 0
    return f"{bits}{crc:015b}"


@pytest.mark.parametrize("extended", [False, True])
def test_random_frames_have_the_stuff_bits_that_counting_one_by_one_finds(extended: bool) -> None:
    """Thousands at once give the same as each alone, bit by bit."""
    chance = np.random.default_rng(2)
    sent = [
        can.Message(
            arbitration_id=int(chance.integers(0, 1 << (29 if extended else 11))),
            is_extended_id=extended,
            data=bytes(chance.choice([0x00, 0xFF, 0x0F, 0xAA, 0x1F], int(chance.integers(0, 9))).tolist()),
        )
        for _ in range(400)
    ]
    found = frame_bits(block_of(sent, Channels())).nominal
    for message, bits in zip(sent, found, strict=True):
        written = classical_bits(message.arbitration_id, bytes(message.data), extended=extended)
        assert bits == len(written) + stuffed_by_hand(written) + 13


def test_a_remote_frame_carries_no_data_whatever_length_it_asks_for() -> None:
    """It asks for eight bytes and is as long as a frame of none; its stuff bits are its own."""
    nominal, _, shortest = bits_of(arbitration_id=0x123, is_extended_id=False, is_remote_frame=True, dlc=8)
    assert shortest == 47
    bits = classical_bits(0x123, b"", extended=False, remote=True, asks_for=8)
    assert nominal == len(bits) + stuffed_by_hand(bits) + 13


def test_an_error_frame_counts_no_bits() -> None:
    """How long it was no log tells."""
    assert bits_of(is_error_frame=True) == (0, 0, 0)


@pytest.mark.parametrize("length", FD_LENGTHS)
def test_without_the_bit_rate_switch_all_of_a_fd_frame_is_at_the_nominal_rate(length: int) -> None:
    """With it the data phase is split off, and the sum stays the same but for the switch bit itself."""
    frame = {"arbitration_id": 0x155, "is_extended_id": False, "is_fd": True, "data": b"\xa5" * length}
    slow, none, shortest = bits_of(**frame)
    nominal, fast, _ = bits_of(**frame, bitrate_switch=True)
    assert none == 0
    assert shortest <= slow
    assert abs(slow - (nominal + fast)) <= 2
    # start of frame to the switch, acknowledge to intermission
    assert 17 + 12 <= nominal <= 17 + 12 + 4


def test_five_alike_at_the_end_of_a_fd_frames_data_get_no_stuff_bit() -> None:
    """The fixed stuff bit that follows stands for it (ISO 11898-1; from memory)."""
    base = {"arbitration_id": 0x555, "is_extended_id": False, "is_fd": True}
    ends_alike, _, shortest = bits_of(**base, data=b"\x55\xa0")
    ends_mixed, _, _ = bits_of(**base, data=b"\x55\x55")
    header = stuffed_by_hand(f"0{0x555:011b}00100000010")
    assert ends_mixed - shortest == header == 1
    assert ends_alike - shortest == header


def test_frames_of_many_lengths_in_one_block_are_each_counted_by_their_own() -> None:
    """A block that mixes formats and lengths gives what each frame gives alone."""
    sent = [
        {"arbitration_id": 0x100 + length, "is_extended_id": extended, "data": bytes(range(length))}
        for length in range(9)
        for extended in (False, True)
    ]
    together = frame_bits(block_of([can.Message(**one) for one in sent], Channels()))
    assert together.nominal.tolist() == [bits_of(**one)[0] for one in sent]
