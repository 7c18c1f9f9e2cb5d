"""Names in their normal form, against published vectors and against another reading of the rules."""

from __future__ import annotations

import re

import dns.name
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcharter.plan.names.domains import (
    Fault,
    is_below,
    is_public_suffix,
    normal,
    public_suffix,
    readable,
    registrable,
    suffixes,
    wire,
)
from tests.plan.names.published import suffix_vectors, uts46_vectors

# What we take as it stands though UTS 46 does not: labels in ASCII, which the DNS may well hold
# (RFC 2181 section 11), and a dot at the end, which everybody writes.
_AS_IT_STANDS = re.compile(
    r"(^|[.。．｡])(-|[^.。．｡]*xn--)|-([.。．｡]|$)|[.。．｡]$|(^|[.。．｡])..--", re.IGNORECASE
)


def test_international_names_are_what_unicode_says() -> None:
    vectors = uts46_vectors()
    assert len(vectors) > 1_500
    for typed, expected in vectors:
        found = normal(typed)
        if expected is not None:
            assert found == expected.removesuffix("."), typed
        elif not _AS_IT_STANDS.search(typed):
            assert isinstance(found, Fault), typed


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        # UTS 46 section 4, non-transitional; Greek final sigma is kept: IdnaTestV2.txt.
        ("Faß.de", "xn--fa-hia.de"),
        ("mañana.com", "xn--maana-pta.com"),
        ("ΑΣ.gr", "xn--mxa0b.gr"),
        ("Bücher。example．", "xn--bcher-kva.example"),
        ("_dns.Resolver.ARPA.", "_dns.resolver.arpa"),  # RFC 9462
        ("xn--ls8h.example", "xn--ls8h.example"),  # no valid A-label, and yet a name of the DNS
        ("☃.example", Fault.SCRIPT),  # RFC 5892: a symbol
        ("a\u202eb.example", Fault.SCRIPT),
        ("a／b.example", Fault.LETTER),  # maps to a slash
        ("", Fault.EMPTY),
        (".", Fault.ROOT),
        (".example", Fault.EMPTY_LABEL),
        ("a..example", Fault.EMPTY_LABEL),
        ("a b.example", Fault.LETTER),
        ("*.example", Fault.LETTER),
        ("192.0.2.1", Fault.NUMBER),
        ("a.0x7f", Fault.NUMBER),
        ("1.2.3.example", "1.2.3.example"),
        ("ü" * 60 + ".example", Fault.LONG_LABEL),
        ("ü" * 5_000, Fault.LONG_NAME),
    ],
)
def test_a_name_as_people_write_it(typed: str, expected: str | Fault) -> None:
    assert normal(typed) == expected


def test_lengths_are_those_of_the_dns() -> None:
    # RFC 1035 section 2.3.4: labels of 63 bytes, names of 255 on the wire.
    assert normal("a" * 63 + ".example") == "a" * 63 + ".example"
    assert normal("a" * 64 + ".example") is Fault.LONG_LABEL
    longest = ".".join(["a" * 63] * 3 + ["b" * 61])
    assert normal(longest + ".") == longest
    assert len(wire(longest)) == 255
    assert normal(longest + "b") is Fault.LONG_NAME


def test_public_suffixes_are_the_published_ones() -> None:
    vectors = suffix_vectors()
    assert len(vectors) == 78
    for typed, expected in vectors:
        name = normal(typed or "")
        if isinstance(name, Fault):
            assert expected is None, typed
            continue
        wanted = expected and normal(expected)
        assert registrable(name) == wanted, typed
        assert is_public_suffix(name) is (wanted is None), typed
        assert public_suffix(name) == (wanted.split(".", 1)[1] if isinstance(wanted, str) else name)


_label = st.from_regex(r"[a-z0-9_-]{1,63}", fullmatch=True)
_name = st.lists(_label, min_size=1, max_size=6).map(".".join).filter(lambda n: len(n) < 250)


@given(_name, _name)
def test_names_agree_with_another_library(first: str, second: str) -> None:
    one, two = normal(first.upper() + "."), normal(second + ".example")
    assert isinstance(two, str)
    assert wire(two) == dns.name.from_text(two).to_wire()
    assert list(suffixes(two))[-1] == "example"
    assert [dns.name.from_text(s) for s in suffixes(two)] == _above(dns.name.from_text(two))
    if isinstance(one, str):
        assert one == first
        above = dns.name.from_text(one)
        assert is_below(two, one) == dns.name.from_text(two).is_subdomain(above)
    else:
        assert one is Fault.NUMBER


def _above(name: dns.name.Name) -> list[dns.name.Name]:
    return [name, *_above(name.parent())] if len(name) > 2 else [name]


@given(st.text(max_size=80))
def test_what_is_normal_stays_so(text: str) -> None:
    once = normal(text)
    if isinstance(once, str):
        assert normal(once) == once
        assert re.fullmatch(r"[a-z0-9_.-]{1,253}", once)
        assert normal(readable(once)) == once


def test_a_name_is_shown_in_its_own_script_only_where_it_comes_back() -> None:
    assert readable("xn--bcher-kva.example") == "bücher.example"
    assert readable("xn--ls8h.example") == "xn--ls8h.example"
