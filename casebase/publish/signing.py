"""The key by which a library signs its bundles (Ed25519, RFC 8032, by libsodium), and what a signature says.

What is signed are the sums of all other files of a bundle, so everything in it. The private key lies beside the
library, readable by its owner alone; it is made when a bundle is written for the first time.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from pathlib import Path
from typing import Final

from nacl.exceptions import BadSignatureError
from nacl.signing import SigningKey, VerifyKey

from casebase.errors import BundleError
from casebase.files import flush_folder
from casebase.library.store import Library

ALGORITHM: Final = "Ed25519"
_OUR_KEY: Final = "public key of this library's bundles"
_KEY_BYTES: Final = 32
_HEX: Final = re.compile(r"[0-9a-f]+")


def key_path(library: Path) -> Path:
    """Return where the private key of a library lies."""
    return library.with_name(f"{library.name}-signing-key")


def own_public_key(library: Library) -> str | None:
    """Return the public key of a library in hexadecimal digits; None before its first bundle."""
    return library.fact(_OUR_KEY)


def signing_key(library: Library, *, make_new: bool = False) -> SigningKey:
    """Return the key of a library, made at the first time.

    Raises `BundleError` where the one it had is gone or is another, unless a new one is to be made: other shops take
    nothing signed by that until their leads accept it.
    """
    path, known = key_path(library.path), library.fact(_OUR_KEY)
    if make_new or (known is None and not path.exists()):
        return _made(library, path)
    try:
        key = SigningKey(bytes.fromhex(path.read_text("ascii").strip()))
    except (OSError, ValueError) as error:
        raise BundleError(
            f"{path}: the key that signs your bundles cannot be read ({error}): bring it back from a copy; where it is"
            " lost, make another with --new-key, and tell the other shops its fingerprint"
        ) from None
    public = bytes(key.verify_key).hex()
    if known not in (None, public):
        raise BundleError(
            f"{path}: not the key that signed your bundles before: bring that back from a copy, or make another with"
            " --new-key, and tell the other shops its fingerprint"
        )
    if known is None:
        library.set_fact(_OUR_KEY, public)
    return key


def _made(library: Library, path: Path) -> SigningKey:
    key = SigningKey.generate()
    part = path.with_name(f"{path.name}.part")
    try:
        part.unlink(missing_ok=True)
        with os.fdopen(
            os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii"
        ) as file:
            file.write(f"{bytes(key).hex()}\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise BundleError(
            f"{path}: the key cannot be kept ({error.strerror}): see who may write there"
        ) from None
    flush_folder(path.parent)
    library.set_fact(_OUR_KEY, bytes(key.verify_key).hex())
    return key


def signature_text(key: SigningKey, signed: bytes) -> bytes:
    """Return what a bundle says of who signed it: the algorithm, the public key, the signature, in JSON."""
    told = {
        "algorithm": ALGORITHM,
        "public_key": bytes(key.verify_key).hex(),
        "signature": key.sign(signed).signature.hex(),
    }
    return (json.dumps(told, indent=2) + "\n").encode()


def signer_of(text: bytes, signed: bytes, where: str) -> str:
    """Return the public key by which something is signed; raise `BundleError` where the signature is not right."""
    try:
        told = json.loads(text)
        public, signature = str(told["public_key"]), str(told["signature"])
        if told["algorithm"] != ALGORITHM or not (_HEX.fullmatch(public) and _HEX.fullmatch(signature)):
            raise ValueError
        VerifyKey(bytes.fromhex(public)).verify(signed, bytes.fromhex(signature))
    except (ValueError, TypeError, KeyError, RecursionError, BadSignatureError):
        raise BundleError(
            f"{where}: the signature is not of these files: they were changed after they were signed; ask the sender"
            " for the bundle again"
        ) from None
    return public


def fingerprint(public_key: str) -> str:
    """Return the beginning of a key's SHA-256 as two people read it to each other.

    >>> fingerprint("00" * 32)
    '6668 7aad f862 bd77 6c8f c18b 8e9f 8e20'
    """
    digits = hashlib.sha256(bytes.fromhex(public_key)).hexdigest()[:_KEY_BYTES]
    return " ".join(digits[place : place + 4] for place in range(0, len(digits), 4))


def fingerprint_digits(text: str) -> str:
    """Return the digits of a fingerprint, however they were grouped and whoever typed them.

    >>> fingerprint_digits("6668 7AAD-f862")
    '66687aadf862'
    """
    return re.sub(r"[^0-9a-f]", "", text.casefold())
