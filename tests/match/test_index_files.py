"""The index in a folder: what is read back is what was kept, and a damaged folder is no index at all."""

import json
import subprocess
import sys
import zlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casebase.match.facets.measure import FAULTS
from casebase.match.index.building import IndexBuilder, empty_index
from casebase.match.index.files import Stamp, append, begin_again, damage_in, read_index, writing_alone
from casebase.match.index.match_index import ATOM_LISTS, COLUMNS
from casebase.match.index.query import Query
from tests.match.varied_profiles import DIMENSIONS, varied

pytestmark = pytest.mark.slow

STAMP = Stamp("a library", "a model", DIMENSIONS)
WRITES_ALONE = """
import sys, time
from pathlib import Path
from casebase.match.index.files import writing_alone
with writing_alone(Path(sys.argv[1])) as alone:
    print(alone, flush=True)
    time.sleep(60)
"""


@pytest.fixture(scope="module")
def many(profiles):
    """A hundred profiles."""
    return varied(profiles, 100, seed=6)


def keep(folder, profiles, before, first=0):
    """Append profiles to the index in `folder`; return it, read back."""
    builder = IndexBuilder(before)
    for number, profile in enumerate(profiles, start=first):
        builder.add(number, profile)
    append(folder, builder.finished(), before, replace(STAMP, last_number=first + len(profiles)))
    return read_index(folder)


@pytest.fixture
def kept(tmp_path, many):
    """A folder with an index written in two goes."""
    index, _ = keep(tmp_path, many[:60], empty_index(DIMENSIONS, "a model"))
    keep(tmp_path, many[60:], index, first=60)
    return tmp_path


def test_an_index_in_a_folder_scores_as_one_in_memory(kept, many, profiles):
    """Written in two goes and mapped back, it gives the scores of one built at once."""
    index, stamp = read_index(kept)
    builder = IndexBuilder(dimensions=DIMENSIONS)
    for number, profile in enumerate(many):
        builder.add(number, profile)
    whole = builder.finished()
    assert stamp == replace(STAMP, last_number=100)
    assert {name: array.tolist() for name, array in index.arrays.items()} == {
        name: array.tolist() for name, array in whole.arrays.items()
    }
    assert index.atoms == whole.atoms
    assert np.array_equal(index.vectors, whole.vectors)
    assert Query(index, profiles[3], FAULTS).scores(np.arange(100)).max() > 0


def test_what_no_manifest_counts_is_cut_off(kept, many):
    """A process that died while it wrote leaves bytes behind: the next batch writes over them."""
    index, _ = read_index(kept)
    for path in kept.glob("*.bin"):
        path.write_bytes(path.read_bytes() + b"\x07" * 24)
    with (kept / "vehicle.jsonl").open("a", encoding="utf-8") as lines:
        lines.write('["half a li')
    again, _ = keep(kept, many[:5], index, first=100)
    assert len(again) == 105
    assert again.arrays["numbers"].tolist() == list(range(105))
    assert again.atoms["vehicle"] == index.atoms["vehicle"]


@pytest.mark.parametrize(
    "name", ["manifest.json", "numbers.bin", "vectors.bin", "codes.jsonl", "codes.flat.bin"]
)
def test_a_file_gone_or_cut_is_no_index(kept, name):
    """Rather none than a wrong one."""
    whole = (kept / name).read_bytes()
    (kept / name).write_bytes(whole[: len(whole) // 2])
    assert read_index(kept) is None
    (kept / name).unlink()
    assert read_index(kept) is None


FILES = sorted(
    [
        "manifest.json",
        "vectors.bin",
        *(f"{name}.bin" for name in COLUMNS),
        *(f"{name}.jsonl" for name in ATOM_LISTS),
    ]
)


@pytest.mark.parametrize("name", FILES)
def test_a_bit_flipped_in_any_file_is_found(kept, name):
    """Whichever file and wherever: no other answer, no traceback, and the words say which file it was."""
    whole = (kept / name).read_bytes()
    assert damage_in(kept) is None
    for place in {0, len(whole) // 3, len(whole) - 1} if whole else set():
        flipped = bytearray(whole)
        flipped[place] ^= 0b0100
        (kept / name).write_bytes(flipped)
        assert read_index(kept) is None
        assert name in damage_in(kept)
    (kept / name).write_bytes(whole)
    assert damage_in(kept) is None
    assert len(read_index(kept)[0]) == 100


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_whatever_happens_to_its_bytes_an_index_is_none_or_the_same(kept, data):
    """Bytes exchanged or cut off in any file."""
    path = kept / data.draw(st.sampled_from(FILES))
    whole = path.read_bytes()
    if not whole:
        return
    spoilt = bytearray(whole)
    at = data.draw(st.integers(0, len(whole) - 1))
    if data.draw(st.booleans()):
        spoilt[at] = data.draw(st.integers(0, 255))
    else:
        del spoilt[at:]
    path.write_bytes(spoilt)
    found = read_index(kept)
    path.write_bytes(whole)
    assert (found is None) == (bytes(spoilt) != whole)


def test_a_library_logged_one_by_one_has_few_blocks(tmp_path, many):
    """The manifest does not grow with every record."""
    index = empty_index(DIMENSIONS, "a model")
    for number, profile in enumerate(many[:40]):
        index, _ = keep(tmp_path, [profile], index, first=number)
    manifest = json.loads((tmp_path / "manifest.json").read_text())
    assert {len(blocks) for blocks in manifest["blocks"].values()} <= {0, 1}
    assert damage_in(tmp_path) is None


def test_large_files_are_looked_at_from_their_end_on_opening(kept, many, monkeypatch):
    """What was written last is the likeliest to be lost; the rest waits for `casebase check`."""
    monkeypatch.setattr("casebase.match.index.files._BLOCK_BYTES", 1)
    keep(kept, many[:30], read_index(kept)[0], first=100)
    monkeypatch.setattr("casebase.match.index.files.CHECKED_ON_OPENING_BYTES", 1)
    flipped = bytearray((kept / "vectors.bin").read_bytes())
    flipped[5] ^= 1
    (kept / "vectors.bin").write_bytes(flipped)
    assert read_index(kept) is not None
    assert "vectors.bin: bytes 0 to" in damage_in(kept)
    flipped[-1] ^= 1
    (kept / "vectors.bin").write_bytes(flipped)
    assert read_index(kept) is None


def test_an_index_of_another_version_is_none(kept):
    """Arrays that were made otherwise are not read."""
    manifest = json.loads((kept / "manifest.json").read_text())
    manifest["stamp"]["version"] = "0.1"
    del manifest["crc"]
    crc = zlib.crc32(json.dumps(manifest, sort_keys=True).encode())
    (kept / "manifest.json").write_text(json.dumps(manifest | {"crc": crc}))
    assert read_index(kept) is None


def test_beginning_again_leaves_nothing(kept):
    """An index that does not fit is removed before a new one is made."""
    begin_again(kept)
    assert list(kept.iterdir()) == []
    assert read_index(kept) is None


def test_only_one_writes(tmp_path):
    """A second writer is told that it is not alone; afterwards it may."""
    with writing_alone(tmp_path) as first, writing_alone(tmp_path) as second:
        assert (first, second) == (True, False)
    with writing_alone(tmp_path) as later:
        assert later


def test_the_lock_of_a_process_that_is_gone_does_not_last(tmp_path):
    """A writer keeps others from writing until it is killed in the middle, and nobody afterwards."""
    with subprocess.Popen(
        [sys.executable, "-c", WRITES_ALONE, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "True\n"
        with writing_alone(tmp_path) as alone:
            assert not alone
        other.kill()
    assert (tmp_path / "being-written").exists()
    with writing_alone(tmp_path) as alone:
        assert alone
