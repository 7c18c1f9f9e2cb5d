"""What a hardware address tells of itself, against the digits that RFC 9542 and RFC 9797 print."""

from __future__ import annotations

from random import Random

from netcharter.plan.hardware import is_group, is_local, may_change


def test_the_second_digit_tells_it() -> None:
    """RFC 9542 section 2.1: the lowest bit of the first octet is for groups, the next for local ones;
    so the second digit of a local address of one device is 2, 6, A or E."""
    for octet in range(256):
        digit = f"{octet:02X}"[1]
        number = (octet << 40) + 0x5E_10_AA_00_03
        assert is_group(number) == (digit in "13579BDF")
        assert is_local(number) == (digit in "2367ABEF")
        assert may_change(number) == (digit in "26AE")


def test_addresses_that_standards_print() -> None:
    """Documents' 00-00-5E-00-53-00 (RFC 9542 section 2.1.4), IPv4 multicast's 01-00-5E (section
    2.1.1), IPv6 multicast's 33-33 (section 2.3.1)."""
    assert not is_local(0x00_00_5E_00_53_00) and not is_group(0x00_00_5E_00_53_00)
    assert is_group(0x01_00_5E_00_00_01) and not is_local(0x01_00_5E_00_00_01)
    assert is_group(0x33_33_00_00_00_01) and not may_change(0x33_33_00_00_00_01)
    assert not may_change(0x02_00_00_AA_00_01) and is_local(0x02_00_00_AA_00_01)


def test_a_drawn_address_is_always_taken_for_one() -> None:
    """Drawn as RFC 9797 section 5 says: all bits by chance but the two."""
    draw = Random(9797)
    for _ in range(20_000):
        number = draw.getrandbits(48) & ~(1 << 40) | 2 << 40
        assert may_change(number) == (number >> 24 != 0x020000)
