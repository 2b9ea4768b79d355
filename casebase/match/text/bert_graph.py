"""A BERT encoder with mean pooling, as an ONNX graph over the file of its weights.

The layers are those of Devlin and others, "BERT: Pre-training of Deep Bidirectional Transformers" (2019), under the
names of their tensors in files of published weights; the operators are those of the ONNX standard, version 20. The
graph holds no weights: it says at which byte of a safetensors file each stands. So it is small and made once, for
`data/all-minilm-l6-v2.onnx`, by `python -m casebase.match.text.bert_graph FILE`; only that takes the package `onnx`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from onnx import ModelProto, NodeProto, TensorProto, helper, numpy_helper

from casebase.match.text.model_store import TENSORS, WEIGHTS, packaged_folder

INPUTS: Final = ("input_ids", "attention_mask", "token_type_ids")
OUTPUT: Final = "vectors"

_OPERATORS: Final = 20
"""Version of the operators: the first with Gelu."""
_FORMAT: Final = 9
"""Version of the ONNX file format that came with those operators; older runtimes refuse newer formats."""
_SHORTEST: Final = 1e-12
"""Least length by which a vector is divided, as in `torch.nn.functional.normalize`."""
_MASKED: Final = float(np.finfo(np.float32).min)


@dataclass(frozen=True)
class Placed:
    """Where the numbers of a tensor stand in a file, float32 in little-endian order."""

    shape: tuple[int, ...]
    first_byte: int
    bytes: int


Tensors = Mapping[str, Placed]


@dataclass(frozen=True)
class BertShape:
    """What the tensors alone do not tell."""

    layers: int
    heads: int
    epsilon: float
    """Added to the variance where a layer is normalised."""


MINILM: Final = BertShape(layers=6, heads=12, epsilon=1e-12)
"""From `config.json` of all-MiniLM-L6-v2."""


def placed_tensors(path: Path) -> dict[str, Placed]:
    """Return where the float32 tensors of a safetensors file stand.

    The format: eight bytes with the length of a JSON text in little-endian order, the text with type, shape and place
    of each tensor, and the tensors, their places counted from the end of the text (its makers' description).
    """
    with path.open("rb") as file:
        length = int.from_bytes(file.read(8), "little")
        described = json.loads(file.read(length))
    found = {}
    for name, told in described.items():
        if told.get("dtype") == "F32":
            start, end = told["data_offsets"]
            found[name] = Placed(tuple(told["shape"]), 8 + length + start, end - start)
    return found


def bert_model(tensors: Tensors, shape: BertShape, weights: str) -> ModelProto:
    """Return the encoder over the tensors in the file `weights`, which must lie beside the graph's own.

    The graph takes `INPUTS`, int64 of shape (texts, tokens), and gives `OUTPUT`, float32 of shape (texts, dimensions):
    vectors of length 1. Raises `KeyError` for a tensor that is missing.
    """
    graph = _Graph(tensors, weights)
    _write_normalised(graph, _pooled(graph, _encoded(graph, shape)))
    inputs = [helper.make_tensor_value_info(name, TensorProto.INT64, ["texts", "tokens"]) for name in INPUTS]
    (width,) = tensors["embeddings.LayerNorm.bias"].shape
    output = helper.make_tensor_value_info(OUTPUT, TensorProto.FLOAT, ["texts", width])
    whole = helper.make_graph(graph.nodes, "bert", inputs, [output], graph.constants)
    return helper.make_model(
        whole,
        ir_version=_FORMAT,
        opset_imports=[helper.make_opsetid("", _OPERATORS)],
        producer_name="casebase",
    )


@dataclass
class _Graph:
    """A graph while it is being written; every method returns the name of what it has added."""

    tensors: Tensors
    weights: str
    nodes: list[NodeProto] = field(default_factory=list)
    constants: list[TensorProto] = field(default_factory=list)

    def node(self, operator: str, *given: str, gives: str = "", **attributes: Any) -> str:
        name = gives or f"{operator}-{len(self.nodes)}"
        self.nodes.append(helper.make_node(operator, given, [name], name, **attributes))
        return name

    def constant(self, value: NDArray[Any]) -> str:
        name = f"constant-{len(self.constants)}"
        self.constants.append(numpy_helper.from_array(value, name))
        return name

    def number(self, value: float) -> str:
        return self.constant(np.array(value, dtype=np.float32))

    def axes(self, *axes: int) -> str:
        return self.constant(np.array(axes, dtype=np.int64))

    def weight(self, name: str) -> str:
        placed = self.tensors[name]
        tensor = TensorProto(
            name=name,
            data_type=TensorProto.FLOAT,
            dims=placed.shape,
            data_location=TensorProto.EXTERNAL,
        )
        told = {"location": self.weights, "offset": placed.first_byte, "length": placed.bytes}
        for key, value in told.items():
            tensor.external_data.add(key=key, value=str(value))
        self.constants.append(tensor)
        return name

    def linear(self, given: str, name: str) -> str:
        turned = self.node("Transpose", self.weight(f"{name}.weight"), perm=(1, 0))
        return self.node("Add", self.node("MatMul", given, turned), self.weight(f"{name}.bias"))

    def layer_norm(self, given: str, name: str, epsilon: float) -> str:
        scale, bias = self.weight(f"{name}.weight"), self.weight(f"{name}.bias")
        return self.node("LayerNormalization", given, scale, bias, axis=-1, epsilon=epsilon)


def _encoded(graph: _Graph, shape: BertShape) -> str:
    """Add embeddings and layers; the result has the shape (texts, tokens, dimensions)."""
    state = _embedded(graph, shape.epsilon)
    hidden = _added_to_scores(graph)
    for layer in range(shape.layers):
        name = f"encoder.layer.{layer}"
        seen = graph.linear(
            _attended(graph, state, hidden, f"{name}.attention.self", shape), f"{name}.attention.output.dense"
        )
        state = graph.layer_norm(
            graph.node("Add", seen, state), f"{name}.attention.output.LayerNorm", shape.epsilon
        )
        wide = graph.node("Gelu", graph.linear(state, f"{name}.intermediate.dense"))
        further = graph.node("Add", graph.linear(wide, f"{name}.output.dense"), state)
        state = graph.layer_norm(further, f"{name}.output.LayerNorm", shape.epsilon)
    return state


def _embedded(graph: _Graph, epsilon: float) -> str:
    """Add what a token means by itself, by its place and by its kind."""
    tokens, _, kinds = INPUTS
    words = graph.node("Gather", graph.weight("embeddings.word_embeddings.weight"), tokens)
    of_kind = graph.node("Gather", graph.weight("embeddings.token_type_embeddings.weight"), kinds)
    length = graph.node("Shape", tokens, start=1, end=2)
    start, axis = graph.axes(0), graph.axes(0)
    places = graph.node("Slice", graph.weight("embeddings.position_embeddings.weight"), start, length, axis)
    whole = graph.node("Add", graph.node("Add", words, of_kind), places)
    return graph.layer_norm(whole, "embeddings.LayerNorm", epsilon)


def _added_to_scores(graph: _Graph) -> str:
    """Add what keeps attention off the padding: 0 for a token, the least number for none; (texts, 1, 1, tokens)."""
    there = graph.node("Cast", graph.node("Unsqueeze", INPUTS[1], graph.axes(1, 2)), to=TensorProto.FLOAT)
    return graph.node("Mul", graph.node("Sub", graph.number(1), there), graph.number(_MASKED))


def _attended(graph: _Graph, state: str, hidden: str, name: str, shape: BertShape) -> str:
    """Add the attention of all heads, before its output is mixed."""
    of_head = graph.tensors[f"{name}.query.bias"].shape[0] // shape.heads
    apart = graph.axes(0, 0, shape.heads, of_head)
    query, key, value = (
        graph.node(
            "Transpose", graph.node("Reshape", graph.linear(state, f"{name}.{part}"), apart), perm=turned
        )
        for part, turned in (("query", (0, 2, 1, 3)), ("key", (0, 2, 3, 1)), ("value", (0, 2, 1, 3)))
    )
    scores = graph.node("Div", graph.node("MatMul", query, key), graph.number(of_head**0.5))
    shares = graph.node("Softmax", graph.node("Add", scores, hidden), axis=-1)
    seen = graph.node("Transpose", graph.node("MatMul", shares, value), perm=(0, 2, 1, 3))
    return graph.node("Reshape", seen, graph.axes(0, 0, shape.heads * of_head))


def _pooled(graph: _Graph, state: str) -> str:
    """Add the mean over the tokens of a text; padding does not count."""
    there = graph.node("Cast", graph.node("Unsqueeze", INPUTS[1], graph.axes(2)), to=TensorProto.FLOAT)
    total = graph.node("ReduceSum", graph.node("Mul", state, there), graph.axes(1), keepdims=0)
    return graph.node("Div", total, graph.node("ReduceSum", there, graph.axes(1), keepdims=0))


def _write_normalised(graph: _Graph, pooled: str) -> None:
    length = graph.node("ReduceL2", pooled, graph.axes(1), keepdims=1)
    graph.node("Div", pooled, graph.node("Max", length, graph.number(_SHORTEST)), gives=OUTPUT)


if __name__ == "__main__":
    where = placed_tensors(packaged_folder() / TENSORS)
    Path(sys.argv[1]).write_bytes(bert_model(where, MINILM, WEIGHTS).SerializeToString(deterministic=True))
