"""The bank: the same buses from the same seed, kept once, read back."""

import numpy as np
import pytest

from casebase.bus.bank import Bank
from casebase.bus.pair import high_speed_can

pytestmark = pytest.mark.slow


def test_the_same_seed_gives_the_same_buses(tmp_path):
    """Answers do not change from one run to the next."""
    one, other = (Bank(high_speed_can(), None, per_state=20).columns("nothing") for _ in range(2))
    assert all(np.array_equal(one[name], other[name]) for name in one)


def test_columns_are_read_back_as_they_were_made(tmp_path):
    """What is kept in the folder is what was simulated."""
    made = Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")
    read = Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")
    assert isinstance(read["DLC|nothing|ohms_between"], np.ndarray)
    assert all(np.array_equal(made[name], read[name]) for name in made)


def test_a_damaged_cache_is_made_again(tmp_path):
    """A file cut off half-way costs seconds, not the answer."""
    Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")
    for path in tmp_path.glob("*.npy"):
        path.write_bytes(path.read_bytes()[:500])
    assert "DLC|nothing|ohms_between" in Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")


def test_one_bit_that_rotted_in_the_cache_is_noticed(tmp_path):
    """The file has its size and shape; its SHA-256 tells."""
    first = Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")
    made = {name: column.copy() for name, column in first.items()}
    (kept,) = tmp_path.glob("*nothing*.npy")
    content = bytearray(kept.read_bytes())
    content[-3] ^= 0x10
    kept.write_bytes(content)
    again = Bank(high_speed_can(), tmp_path, per_state=20).columns("nothing")
    assert all(np.array_equal(again[name], column) for name, column in made.items())


def test_a_folder_that_cannot_be_written_is_done_without(tmp_path):
    """No cache, same answer."""
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert Bank(high_speed_can(), blocked / "cache", per_state=20).columns("nothing")
