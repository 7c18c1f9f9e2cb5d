"""Lists of addresses: what is taken, what is refused and counted, against `ipaddress` and netaddr."""

from __future__ import annotations

from ipaddress import IPv4Address, IPv6Address, ip_network, summarize_address_range
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from netaddr import IPSet

from netcharter.plan import coding, listed
from netcharter.plan.coding import V6
from netcharter.plan.listed import Refused, first_in, read
from netcharter.space.ranges import size

TAKEN: dict[bytes, tuple[IPv4Address | IPv6Address, IPv4Address | IPv6Address]] = {
    b"192.0.2.1": (IPv4Address("192.0.2.1"), IPv4Address("192.0.2.1")),
    b"192.0.2.0/24": (IPv4Address("192.0.2.0"), IPv4Address("192.0.2.255")),
    b"\t192.0.2.4 - 192.0.2.9 ; seen in March\r": (
        IPv4Address("192.0.2.4"),
        IPv4Address("192.0.2.9"),
    ),
    b"192.0.2.4-192.0.2.9#x": (IPv4Address("192.0.2.4"), IPv4Address("192.0.2.9")),
    b"10.0.0.0/8": (IPv4Address("10.0.0.0"), IPv4Address("10.255.255.255")),
    b"2001:DB8::/32": (
        IPv6Address("2001:db8::"),
        IPv6Address("2001:db8:ffff:ffff:ffff:ffff:ffff:ffff"),
    ),
    b"2001:db8::1": (IPv6Address("2001:db8::1"), IPv6Address("2001:db8::1")),
    b"::ffff:192.0.2.1": (IPv6Address("::ffff:c000:201"), IPv6Address("::ffff:c000:201")),
    b"2001:db8::1-2001:db8::5": (IPv6Address("2001:db8::1"), IPv6Address("2001:db8::5")),
}
REFUSED = {
    listed.NO_ADDRESS: (
        b"example.org", b"192.0.2", b"192.0.2.1/33", b"2001:db8::/129", b"192.0.2.256", b"1.2.3.4/",
        b"012.0.2.1", b"192.0.2.1 192.0.2.2", b"fe80::1%eth0", b":::", b"1::2::3", b"12345::",
        b"<script>alert(1)</script>", b"$(reboot)", b"192.0.2.1-", b"-192.0.2.1", b"192.0.2.1/-1",
        b"192.0.2.1 ,", b"3232235777", b"0x7f.1", b"192.0.2.0/24-192.0.3.0/24", b"|| example ^",
    ),
    listed.NOT_ASCII: (
        b"192.0.2.1\0", b"192.0.2.1\x1b[2J", "１９２.0.2.1".encode(), b"\xff\xfe1\0", b"192.0.2.1\r1",
    ),
    listed.BEYOND: (b"192.0.2.1/24", b"2001:db8::1/64", b"128.0.0.0/0"),
    listed.BACKWARDS: (b"192.0.2.9-192.0.2.4", b"192.0.2.1-::1", b"::1-192.0.2.1"),
    listed.TOO_WIDE: (
        b"0.0.0.0/0", b"::/0", b"0.0.0.0/1", b"64.0.0.0/7", b"2000::/3", b"2000::/15",
        b"0.0.0.0-255.255.255.255", b"::-ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff",
    ),
    listed.TOO_LONG: (b"1" * 513, b"192.0.2.1 ;" + b"x" * 600),
}  # fmt: skip
NOTHING = (b"", b"   \t", b"# a remark", b"; another", b"\r")


@pytest.mark.parametrize("line", TAKEN)
def test_what_an_entry_may_be(line: bytes) -> None:
    first, last = TAKEN[line]
    found = read(line)
    assert found.contents == ((coding.address(first), coding.address(last)),)
    assert (found.entries, found.refused) == (1, ())


@pytest.mark.parametrize("reason", REFUSED)
def test_all_else_is_refused_line_by_line_with_the_first_of_its_kind(reason: str) -> None:
    for line in REFUSED[reason]:
        found = read(b"# of today\n192.0.2.0/24\n" + line + b"\n" + line)
        assert found.entries == 1, line
        assert found.refused == (Refused(reason, 2, 3),), line


def test_what_is_between_entries_is_no_entry_and_no_fault() -> None:
    found = read(b"\n".join(NOTHING))
    assert (found.contents, found.entries, found.refused) == ((), 0, ())


def test_more_entries_than_are_taken_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listed, "MOST", 2)
    found = read(b"192.0.2.1\nx\n192.0.2.2\n192.0.2.3\n192.0.2.4")
    assert size(found.contents) == 2
    assert Refused(listed.TOO_MANY, 2, 4) in found.refused


def test_the_line_that_names_an_address_is_found() -> None:
    text = b"# head\n192.0.2.0/26\nnonsense\n 192.0.2.64-192.0.2.70 ; why\n192.0.2.66\n"
    wanted = coding.addresses([IPv4Address("192.0.2.66")])
    found = first_in(text, wanted)
    assert found is not None and (found.line, found.text) == (4, "192.0.2.64-192.0.2.70")
    assert first_in(text, coding.addresses([IPv4Address("192.0.2.99")])) is None


def test_a_large_list_covers_what_a_library_says_it_covers() -> None:
    """netaddr's IPSet, and `ipaddress.summarize_address_range`."""
    rng = Random(6)
    lines, nets = [], []
    for _ in range(2_000):
        length = rng.randint(9, 32)
        base = rng.getrandbits(32) >> (32 - length) << (32 - length)
        nets.append(f"{IPv4Address(base)}/{length}")
        lines.append(nets[-1])
    for _ in range(2_000):
        first = rng.getrandbits(32) & 0xFFFFF000
        ends = IPv4Address(first), IPv4Address(first + rng.randrange(4096))
        lines.append(f"{ends[0]}-{ends[1]}")
        nets += map(str, summarize_address_range(*ends))
    for _ in range(2_000):
        length = rng.randint(20, 128)
        base6 = rng.getrandbits(128) >> (128 - length) << (128 - length)
        nets.append(f"{IPv6Address(base6)}/{length}")
        lines.append(nets[-1])
    rng.shuffle(lines)
    found = read("\n".join(lines).encode())
    assert found.entries == len(lines) and not found.refused
    said = IPSet(nets)
    assert size(found.contents) == said.size
    assert coding.network(*(ip_network(str(one)) for one in said.iter_cidrs())) == found.contents
    assert all(low < V6 or high >= V6 for low, high in found.contents)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=80))
def test_whatever_stands_there_every_line_is_taken_refused_or_empty(text: bytes) -> None:
    found = read(text)
    counted = found.entries + sum(one.count for one in found.refused)
    assert counted <= text.count(b"\n") + 1
