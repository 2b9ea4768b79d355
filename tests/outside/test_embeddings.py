"""The vectors of the exported model against those of sentence-transformers itself."""

import json

import numpy as np
import onnx
import pytest
from safetensors.numpy import load_file

from casebase.match.text import model_store
from casebase.match.text.bert_graph import MINILM, bert_model, placed_tensors
from casebase.match.text.embedder import open_embedder
from casebase.match.text.export import PACKAGED_GRAPH, PROBE_VECTORS
from casebase.match.text.shorthand import spelled_out
from tests.match.small_model import write_small_model

pytestmark = pytest.mark.slow

LONG = "Lost communication with the brake module while the bus was quiet, again and again. "
TEXTS = [
    *("a", ".", "?!", "0", "  no start  ", "line one\nline two", "tab\tand\tspaces", "A" * 300, "x " * 255),
    *(LONG * times for times in (1, 2, 8, 16, 17, 18, 40, 200)),
    *(
        "U0100-87",
        "CAN-H 2.66 V, CAN-L 2.35 V, 60.2 Ω",
        "60.4 ohm between 6 and 14",
        "SPN 639 FMI 9",
        "5 V REF < 0.3 V",
    ),
    *(
        "Kabelbaum über dem Auspuff durchgescheuert",
        "feu stop allumé, capteur débranché",
        "przewód przerwany",
    ),
    *(
        "制動灯が点灯する",
        "шина молчит",
        "الأسلاك مقطوعة",
        "ไม่สตาร์ท",
        "emoji 🔋🚗 in the report",
        "e\u0301 and \u00e9",
        "ﬁne",
    ),
    *(
        "\u200bzero width",
        "half\u00a0space",
        "<b>bold</b> & 'quoted' \"twice\"",
        "; drop table cases; --",
        "\x00\x07",
        "[MASK] [SEP]",
    ),
    "crank/no start, immo lamp flashing, no comm w/ BCM",
    "Engine turns over but will not fire, security light blinks and the body controller is silent.",
    "IPC dark int., gauges drop to zero over bumps, U0155 hist",
    "EPS heavy, no assist after jump start, gnd VD 3V",
    "Battery empties overnight: the climate control unit never goes to sleep.",
    "Rain got into the tailgate module; the rear bus is dead until it is unplugged",
    "Third terminator fitted with an accessory, 40 ohm at the DLC",
    "Tractor starts hard, and then the terminal is red with six alarms.",
    "Between the two bus lines there is one hundred and twenty ohm",
    "low line chafed on the pedal bracket",
    "Wipers run by themselves, rain sensor line low",
    "no crank no start, all modules offline, KOEO 0 V at term 15",
    "Airbag light is lit: plug under the passenger seat not latched.",
]
"""Short and long (the model takes 256 tokens), plain and strange, in several scripts."""


@pytest.fixture(scope="module")
def reference():
    """The model as sentence-transformers loads it from the package's own files."""
    return in_sentence_transformers(model_store.packaged_folder())


def in_sentence_transformers(folder):
    """Return the model of a folder; the package takes six seconds to import, which only these tests need."""
    from sentence_transformers import SentenceTransformer  # noqa: PLC0415

    return SentenceTransformer(str(folder), device="cpu")


def cosines(own, reference):
    """Return the cosine of each pair of vectors, in float64."""
    return np.vecdot(own.astype(np.float64), np.asarray(reference, dtype=np.float64))


def test_vectors_are_those_of_sentence_transformers(embedder, reference):
    """`SentenceTransformer.encode(normalize_embeddings=True)` gives the same vectors, to a cosine of 0.9999."""
    texts = TEXTS + [spelled_out(text) for text in TEXTS]
    own = embedder.vectors(texts)
    assert len(TEXTS) >= 50
    assert cosines(own, reference.encode(texts, normalize_embeddings=True)).min() > 0.9999
    assert np.abs(own - reference.encode(texts, normalize_embeddings=True)).max() < 1e-5


def test_two_hundred_texts_of_all_lengths_have_the_same_vectors(embedder, reference):
    """From one word piece to beyond the 256 that the model takes: a cosine of at least 1 - 1e-6, each by itself."""
    words = " ".join(TEXTS).split()
    texts = [" ".join((words * 3)[start : start + count]) for start, count in enumerate(range(1, 401, 2))]
    lengths = {len(embedder._tokens(text)["input_ids"]) for text in texts}
    assert len(texts) == 200
    assert min(lengths) < 8
    assert max(lengths) == 256
    assert (
        cosines(embedder.vectors(texts), reference.encode(texts, normalize_embeddings=True)).min() > 1 - 1e-6
    )


def test_the_graph_is_a_valid_one_of_the_standard(embedder, tmp_path):
    """The checker of onnx takes the graph written from the weights, shapes inferred."""
    open_embedder(tmp_path)
    (folder,) = tmp_path.iterdir()
    onnx.checker.check_model(folder / model_store.GRAPH, full_check=True)


def test_the_packaged_graph_is_the_one_that_is_written_for_the_weights():
    """Operator by operator, tensor by tensor, and every tensor where the package's file has it."""
    weights = model_store.packaged_folder() / model_store.TENSORS
    assert onnx.load(PACKAGED_GRAPH, load_external_data=False) == bert_model(
        placed_tensors(weights), MINILM, model_store.WEIGHTS
    )
    theirs = load_file(weights)
    raw = weights.read_bytes()
    for name, placed in placed_tensors(weights).items():
        own = np.frombuffer(raw[placed.first_byte :][: placed.bytes], "<f4").reshape(placed.shape)
        assert np.array_equal(own, theirs[name])


def test_the_kept_vectors_of_the_probes_are_those_of_the_model(reference):
    """What a new export is tried against comes from sentence-transformers."""
    kept = np.array(json.loads(PROBE_VECTORS.read_text(encoding="utf-8")))
    expected = reference.encode(list(model_store.PROBES), normalize_embeddings=True)
    assert np.abs(kept - expected).max() < 1e-6


def test_vectors_of_either_export_may_be_compared(embedder, tmp_path):
    """The same weights through torch have the same identity, and the same vectors to a cosine of 1 - 1e-6."""
    by_torch = open_embedder(tmp_path, str(model_store.packaged_folder()))
    assert by_torch.identity == embedder.identity
    assert cosines(by_torch.vectors(TEXTS), embedder.vectors(TEXTS)).min() > 1 - 1e-6


def test_demo_stories_have_the_same_vectors(embedder, reference, demo_cases):
    """Every concern and symptom of the demo records."""
    texts = [text for case in demo_cases.values() for text in (case.concern, *case.symptoms) if text]
    assert cosines(embedder.vectors(texts), reference.encode(texts, normalize_embeddings=True)).min() > 0.9999


def test_an_empty_text_alone_differs(embedder, reference):
    """sentence-transformers gives an empty text the vector of its frame; here it means nothing."""
    assert np.linalg.norm(reference.encode([""])[0]) > 0.1
    assert not embedder.vectors([""]).any()


@pytest.mark.parametrize(
    ("pooling", "prompt"),
    [("cls", ""), ("max", "query : "), ("lasttoken", "")],
    ids=["cls", "max", "lasttoken"],
)
def test_models_that_pool_otherwise(tmp_path, pooling, prompt):
    """Whatever a folder's modules do, and whatever it puts before a text, the vectors are those of the library."""
    folder = write_small_model(tmp_path / "tiny", pooling, prompt)
    texts = ["the bus is quiet", "lamp", "abs lost " * 20, "a", "not one known word"]
    expected = in_sentence_transformers(folder).encode(texts, normalize_embeddings=True)
    assert cosines(open_embedder(tmp_path / "cache", str(folder)).vectors(texts), expected).min() > 0.9999
