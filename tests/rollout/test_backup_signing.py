"""Signatures and sealing against published vectors, through the very functions that a copy uses."""

from __future__ import annotations

import hashlib
import re

import pytest

from netcharter.rollout import signing
from netcharter.rollout.trouble import RolloutRefused, StateBroken

# RFC 8032, section 7.1: secret key, public key, message, signature (tests 1, 2, 3, SHA(abc)).
ED25519 = (
    (
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        (
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701c"
            "f9b46bd25bf5f0595bbe24655141438e7a100b"
        ),
    ),
    (
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        (
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0"
            "f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        ),
    ),
    (
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        (
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984d"
            "c6594a7c15e9716ed28dc027beceea1ec40a"
        ),
    ),
    (
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        hashlib.sha512(b"abc").hexdigest(),  # that test's message, as the RFC says
        (
            "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c664"
            "31e0303dca179c138ac17ad9bef1177331a704"
        ),
    ),
)
ORDER = 2**252 + 27742317777372353535851937790883648493  # of the group: RFC 8032, section 5.1


@pytest.mark.parametrize(("secret", "public", "message", "signed"), ED25519)
def test_the_vectors_of_rfc_8032(secret: str, public: str, message: str, signed: str) -> None:
    seed, key, text, mark = map(bytes.fromhex, (secret, public, message, signed))
    assert signing.public_of(seed) == key
    assert signing.signature(seed, text) == mark
    assert signing.is_signed(key, mark, text)
    assert not signing.is_signed(key, mark, text + b"\0")
    for bit in range(0, 512, 7):
        other = bytearray(mark)
        other[bit // 8] ^= 1 << bit % 8
        assert not signing.is_signed(key, bytes(other), text)


def test_a_second_signature_made_from_the_first_is_none() -> None:
    """RFC 8032, section 5.1.7: S must lie below the order of the group."""
    key, text, mark = map(bytes.fromhex, ED25519[1][1:])
    number = int.from_bytes(mark[32:], "little") + ORDER
    assert not signing.is_signed(key, mark[:32] + number.to_bytes(32, "little"), text)


def test_the_vector_of_rfc_7914() -> None:
    """Section 12, the second one; its first 32 of 64 bytes, since scrypt ends in PBKDF2, whose
    blocks of 32 bytes do not depend on how many are asked for (RFC 8018, section 5.2)."""
    made = signing.stretched(b"password", b"NaCl", cost=1024, block=8, lanes=16)
    assert made.hex() == "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"


def test_the_key_is_what_the_standard_library_makes_too() -> None:
    made = signing.stretched(b"a long password", b"16 bytes of salt")
    other = hashlib.scrypt(b"a long password", salt=b"16 bytes of salt", n=2**15, r=8, p=1,
                           maxmem=2**26, dklen=32)  # fmt: skip
    assert made == other


def test_what_is_sealed_opens_by_its_password_and_beside_its_data_only() -> None:
    salt, nonce = bytes(range(16)), bytes(range(12))
    made = signing.sealed("twelve or more", b"secret", b"about", salt, nonce)
    assert b"secret" not in made
    assert signing.opened("twelve or more", made, b"about") == b"secret"
    assert signing.opened("twelve or mare", made, b"about") is None
    assert signing.opened("twelve or more", made, b"other") is None
    assert signing.opened("twelve or more", made[:-1], b"about") is None
    assert signing.opened("twelve or more", b"", b"about") is None
    flipped = made[:-1] + bytes([made[-1] ^ 1])
    assert signing.opened("twelve or more", flipped, b"about") is None


def test_a_short_password_is_refused() -> None:
    with pytest.raises(RolloutRefused, match="fewer than 12"):
        signing.sealed("eleven char", b"", b"", bytes(16), bytes(12))


def test_a_fingerprint_can_be_typed_from_paper() -> None:
    key = bytes.fromhex(ED25519[0][1])
    told = signing.fingerprint(key)
    assert re.fullmatch(r"[0-9a-f]{4}( [0-9a-f]{4}){9}", told)
    assert told.replace(" ", "") == hashlib.sha256(key).hexdigest()[:40]
    for typed in (told, told.upper(), told.replace(" ", ""), f"  {told.replace(' ', '-')}\n"):
        assert signing.is_fingerprint(typed, key)
    for typed in ("", told[:-1], told + "0", told.replace(told[0], "g"), told[5:]):
        assert not signing.is_fingerprint(typed, key)


def test_a_key_comes_back_from_its_file() -> None:
    seed = bytes(range(32))
    assert signing.key_of("signing.key", signing.key_text(seed)) == seed
    for broken in (b"", signing.key_text(seed)[:-2], signing.key_text(seed) + b"x", bytes(90)):
        with pytest.raises(StateBroken, match="signing.key"):
            signing.key_of("signing.key", broken)
