"""A BERT encoder with mean pooling, as an ONNX graph written straight from its weights.

The layers are those of Devlin and others, "BERT: Pre-training of Deep Bidirectional Transformers" (2019), under the
names of their tensors in files of published weights; the operators are those of the ONNX standard, version 20. Needs
no torch: `onnx` puts the graph together.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from onnx import ModelProto, NodeProto, TensorProto

INPUTS: Final = ("input_ids", "attention_mask", "token_type_ids")
OUTPUT: Final = "vectors"
Tensors = Mapping[str, NDArray[Any]]

_OPERATORS: Final = 20
"""Version of the operators: the first with Gelu."""
_FORMAT: Final = 9
"""Version of the ONNX file format that came with those operators; older runtimes refuse newer formats."""
_SHORTEST: Final = 1e-12
"""Least length by which a vector is divided, as in `torch.nn.functional.normalize`."""
_MASKED: Final = float(np.finfo(np.float32).min)


@dataclass(frozen=True)
class BertShape:
    """What the tensors alone do not tell."""

    layers: int
    heads: int
    epsilon: float
    """Added to the variance where a layer is normalised."""


def write_bert(tensors: Tensors, shape: BertShape, path: Path, data: str) -> None:
    """Write the encoder to `path`, its weights in float32 to the file `data` beside it.

    The graph takes `INPUTS`, int64 of shape (texts, tokens), and gives `OUTPUT`, float32 of shape (texts, dimensions):
    vectors of length 1. Raises `KeyError` for a tensor that is missing and `OSError` when the files cannot be written.
    """
    import onnx  # noqa: PLC0415

    onnx.save_model(
        _model(tensors, shape), path, save_as_external_data=True, location=data, size_threshold=1024
    )


def _model(tensors: Tensors, shape: BertShape) -> ModelProto:
    from onnx import TensorProto, helper  # noqa: PLC0415

    graph = _Graph(tensors)
    _write_normalised(graph, _pooled(graph, _encoded(graph, shape)))
    inputs = [helper.make_tensor_value_info(name, TensorProto.INT64, ["texts", "tokens"]) for name in INPUTS]
    width = len(tensors["embeddings.LayerNorm.bias"])
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
    nodes: list[NodeProto] = field(default_factory=list)
    constants: list[TensorProto] = field(default_factory=list)

    def node(self, operator: str, *given: str, gives: str = "", **attributes: Any) -> str:
        from onnx import helper  # noqa: PLC0415

        name = gives or f"{operator}-{len(self.nodes)}"
        self.nodes.append(helper.make_node(operator, given, [name], name, **attributes))
        return name

    def constant(self, value: NDArray[Any]) -> str:
        return self._kept(value, f"constant-{len(self.constants)}")

    def number(self, value: float) -> str:
        return self.constant(np.array(value, dtype=np.float32))

    def axes(self, *axes: int) -> str:
        return self.constant(np.array(axes, dtype=np.int64))

    def weight(self, name: str) -> str:
        return self._kept(self.tensors[name].astype(np.float32), name)

    def linear(self, given: str, name: str) -> str:
        kernel = self._kept(
            np.ascontiguousarray(self.tensors[f"{name}.weight"].T, dtype=np.float32), f"{name}.kernel"
        )
        return self.node("Add", self.node("MatMul", given, kernel), self.weight(f"{name}.bias"))

    def layer_norm(self, given: str, name: str, epsilon: float) -> str:
        scale, bias = self.weight(f"{name}.weight"), self.weight(f"{name}.bias")
        return self.node("LayerNormalization", given, scale, bias, axis=-1, epsilon=epsilon)

    def _kept(self, value: NDArray[Any], name: str) -> str:
        from onnx import numpy_helper  # noqa: PLC0415

        self.constants.append(numpy_helper.from_array(value, name))
        return name


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
    from onnx import TensorProto  # noqa: PLC0415

    there = graph.node("Cast", graph.node("Unsqueeze", INPUTS[1], graph.axes(1, 2)), to=TensorProto.FLOAT)
    return graph.node("Mul", graph.node("Sub", graph.number(1), there), graph.number(_MASKED))


def _attended(graph: _Graph, state: str, hidden: str, name: str, shape: BertShape) -> str:
    """Add the attention of all heads, before its output is mixed."""
    of_head = len(graph.tensors[f"{name}.query.bias"]) // shape.heads
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
    from onnx import TensorProto  # noqa: PLC0415

    there = graph.node("Cast", graph.node("Unsqueeze", INPUTS[1], graph.axes(2)), to=TensorProto.FLOAT)
    total = graph.node("ReduceSum", graph.node("Mul", state, there), graph.axes(1), keepdims=0)
    return graph.node("Div", total, graph.node("ReduceSum", there, graph.axes(1), keepdims=0))


def _write_normalised(graph: _Graph, pooled: str) -> None:
    length = graph.node("ReduceL2", pooled, graph.axes(1), keepdims=1)
    graph.node("Div", pooled, graph.node("Max", length, graph.number(_SHORTEST)), gives=OUTPUT)
