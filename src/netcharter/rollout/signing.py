"""Signatures (Ed25519, RFC 8032) and sealing by a password (scrypt, RFC 7914; ChaCha20-Poly1305,
RFC 8439). The one place that asks the library for them.

Chance is an argument: seeds, salts and nonces come from outside.
"""

from __future__ import annotations

import hashlib
import re
from typing import Any

from netcharter.rollout.trouble import RolloutRefused, StateBroken

SEED, PUBLIC, SIGNATURE, SALT, NONCE = 32, 32, 64, 16, 12  # bytes
TAG = 16  # bytes by which something sealed is longer
SHORTEST = 12  # characters of a password; common practice, no source
_COST, _BLOCK, _LANES = 2**15, 8, 1  # 32 MiB and a tenth of a second; RFC 7914, section 2, advises
_SHOWN = 40  # hexadecimal digits of a fingerprint: 160 bits
_KEY = re.compile(rb"netcharter signing key 1\n([0-9a-f]{64})\n")


def public_of(seed: bytes) -> bytes:
    """The public key of a private one, its seed of 32 bytes (RFC 8032, section 5.1.5)."""
    return bytes(
        _curve().Ed25519PrivateKey.from_private_bytes(seed).public_key().public_bytes_raw()
    )


def signature(seed: bytes, message: bytes) -> bytes:
    """The signature of a message, 64 bytes."""
    return bytes(_curve().Ed25519PrivateKey.from_private_bytes(seed).sign(message))


def is_signed(public: bytes, signed: bytes, message: bytes) -> bool:
    """Whether this is the signature of that message by the owner of that key."""
    curve = _curve()
    from cryptography.exceptions import InvalidSignature  # type: ignore[import-not-found, unused-ignore]

    try:
        curve.Ed25519PublicKey.from_public_bytes(public).verify(signed, message)
    except (InvalidSignature, ValueError):
        return False
    return True


def _curve() -> Any:
    try:
        from cryptography.hazmat.primitives.asymmetric import ed25519  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        raise _absent() from None
    return ed25519


def sealed(password: str, data: bytes, about: bytes, salt: bytes, nonce: bytes) -> bytes:
    """Data that only the password opens. about: data beside it that it belongs to.

    Raises RolloutRefused for a password that is too short.
    """
    if len(password) < SHORTEST:
        raise RolloutRefused(
            f"the password for secrets has fewer than {SHORTEST} characters",
            "take a longer one, and keep it apart from the copy",
        )
    if len(salt) != SALT or len(nonce) != NONCE:
        raise ValueError("salt or nonce of another length")
    return salt + nonce + bytes(_cipher(password, salt).encrypt(nonce, data, about))


def opened(password: str, data: bytes, about: bytes) -> bytes | None:
    """What was sealed; None for another password, or other data."""
    if len(data) < SALT + NONCE + TAG:
        return None
    salt, nonce, rest = data[:SALT], data[SALT : SALT + NONCE], data[SALT + NONCE :]
    cipher = _cipher(password, salt)
    from cryptography.exceptions import InvalidTag  # type: ignore[import-not-found, unused-ignore]

    try:
        return bytes(cipher.decrypt(nonce, rest, about))
    except InvalidTag:
        return None


def _cipher(password: str, salt: bytes) -> Any:
    key = stretched(password.encode("utf-8", "surrogateescape"), salt)
    from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305  # type: ignore[import-not-found, unused-ignore]

    return ChaCha20Poly1305(key)


def stretched(
    password: bytes, salt: bytes, cost: int = _COST, block: int = _BLOCK, lanes: int = _LANES
) -> bytes:
    """The 32 bytes that scrypt makes of a password (RFC 7914)."""
    try:
        from cryptography.hazmat.primitives.kdf.scrypt import Scrypt  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        raise _absent() from None
    return bytes(Scrypt(salt=salt, length=32, n=cost, r=block, p=lanes).derive(password))


def _absent() -> RolloutRefused:
    return RolloutRefused(
        "the Python package `cryptography` is not installed, without which nothing is signed",
        "install it beside netcharter; nothing was changed",
    )


# --- keys as people and files have them ----------------------------------------------------------


def fingerprint(public: bytes) -> str:
    """A public key as it is written on the paper in the drawer: ten groups of four digits, the
    first 160 bits of its SHA-256."""
    digits = hashlib.sha256(public).hexdigest()[:_SHOWN]
    return " ".join(digits[n : n + 4] for n in range(0, _SHOWN, 4))


def is_fingerprint(typed: str, public: bytes) -> bool:
    """Whether somebody typed the fingerprint of this key: all of it, spaced as they like."""
    return re.sub(r"[\s:-]", "", typed).lower() == fingerprint(public).replace(" ", "")


def key_text(seed: bytes) -> bytes:
    """The file that keeps the private key; its mode is to be 0600."""
    if len(seed) != SEED:
        raise ValueError(f"a seed has {SEED} bytes")
    return b"netcharter signing key 1\n" + seed.hex().encode("ascii") + b"\n"


def key_of(place: str, data: bytes) -> bytes:
    """The seed that such a file keeps. Raises StateBroken."""
    found = _KEY.fullmatch(data)
    if found is None:
        raise StateBroken(place, "it is no signing key")
    return bytes.fromhex(found[1].decode("ascii"))
