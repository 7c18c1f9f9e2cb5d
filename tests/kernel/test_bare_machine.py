"""A kit on a machine without /etc/protocols, which nothing that a kit needs brings along (in Debian
it is of the package netbase): nft then knows its own words for protocols alone (nft(8))."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcharter.render.wording import PROTOCOLS
from tests.kernel import namespace

pytestmark = pytest.mark.kernel

RULE = "add rule inet bare every meta l4proto {} accept\n"


def test_every_word_for_a_protocol_is_one_of_nft_s_own(tmp_path: Path) -> None:
    lines = ["add table inet bare\n", "add chain inet bare every\n"]
    lines += [RULE.format(word) for word in PROTOCOLS.values()]
    (tmp_path / "bare.nft").write_text("".join(lines), encoding="ascii")
    hidden = "[ ! -e /etc/protocols ] || mount --bind /dev/null /etc/protocols\n"
    found = namespace.run(f"{hidden} nft -f bare.nft; nft list ruleset", tmp_path, private=True)
    told = [line.split()[2] for line in found.splitlines() if "l4proto" in line]
    assert told == [str(number) for number in PROTOCOLS]  # the numbers of IANA's registry
