"""A tiny text model with random weights, made on the spot: exporting it takes a second, and it pools otherwise."""

from pathlib import Path

WORDS = [
    "[PAD]",
    "[UNK]",
    "[CLS]",
    "[SEP]",
    "[MASK]",
    *["the", "a", "bus", "is", "quiet", "lamp", "on", "off", "lost", "abs", "query", ":"],
]


def write_small_model(folder: Path, pooling: str = "cls", prompt: str = "", seed: int = 1) -> Path:
    """Write a Sentence Transformers folder: BERT with two layers of 32, at most 12 tokens, not normalised."""
    import torch  # noqa: PLC0415
    from sentence_transformers import SentenceTransformer  # noqa: PLC0415
    from sentence_transformers.sentence_transformer.modules import Pooling, Transformer  # noqa: PLC0415
    from transformers import BertConfig, BertModel, BertTokenizerFast  # noqa: PLC0415

    torch.manual_seed(seed)
    bare = folder.with_name(f"{folder.name}-bare")
    bare.mkdir(parents=True)
    (bare / "vocab.txt").write_text("\n".join(WORDS), encoding="utf-8")
    sizes = {"hidden_size": 32, "num_hidden_layers": 2, "num_attention_heads": 2, "intermediate_size": 64}
    BertModel(BertConfig(vocab_size=len(WORDS), max_position_embeddings=32, **sizes)).save_pretrained(bare)
    BertTokenizerFast(vocab=str(bare / "vocab.txt")).save_pretrained(bare)
    words = Transformer(str(bare), max_seq_length=12)
    prompts = {"prompts": {"asked": prompt}, "default_prompt_name": "asked"} if prompt else {}
    whole = SentenceTransformer(
        modules=[words, Pooling(words.get_embedding_dimension(), pooling)], device="cpu", **prompts
    )
    whole.save(str(folder))
    return folder
