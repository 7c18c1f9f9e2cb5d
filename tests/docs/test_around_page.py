"""The page of ways around shows the very table that the proofs ask about."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from netcharter.plan import coding
from netcharter.proofs.channels import CHANNELS, Channel

UPDATE = "NETCHARTER_UPDATE_GOLDEN"  # set: write the page instead of comparing
HEAD = "| way | what it looks like | what it is | source |\n|---|---|---|---|\n"
WORDS = {
    "literal-addresses": "anything to the internet",
    "other-ports": "TCP and UDP, the ports of no other row",
    "other-protocols": "the protocols of no other row",
    "neighbours": "anything to a line's own network",
    "another-line": "anything to the internet, by a second line",
    "resolver": "tcp/53, udp/53 to the gateway",
}


def table() -> str:
    return HEAD + "".join(_rows())


def _rows() -> Iterator[str]:
    for one in CHANNELS:
        hidden = "; undecidable where that is let" if one.hidden else ""
        yield f"| {one.name} | {_services(one)}{hidden} | {one.means} | {one.source} |\n"


def _services(one: Channel) -> str:
    if one.key in WORDS:
        return WORDS[one.key]
    return ", ".join(_range(low, high) for low, high in one.services)


def _range(low: int, high: int) -> str:
    protocol = coding.PROTOCOLS.get(low >> 16)
    if protocol in ("icmp", "icmpv6"):
        assert low == high and not low & 0xFF
        return f"{protocol}/{(low & 0xFFFF) >> 8}"
    assert low == high
    return f"{protocol}/{low & 0xFFFF}" if protocol else f"protocol/{low >> 16}"


def test_the_page_shows_the_channels_of_the_proofs(repository: Path) -> None:
    """Run with NETCHARTER_UPDATE_GOLDEN=1 after a change of the table."""
    path = repository / "docs" / "explanation" / "around.md"
    text = path.read_text(encoding="utf-8")
    before = text.partition(HEAD)[0]
    if os.environ.get(UPDATE):
        path.write_text(before + table(), encoding="utf-8")
        text = path.read_text(encoding="utf-8")
    assert text == before + table() and before != text
