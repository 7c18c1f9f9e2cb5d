"""A provider delegates a prefix, changes it, and falls silent; the site follows, and promises hold."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.renumbering import FIRST, SECOND, WORLD, Site, eventually, site

pytestmark = pytest.mark.kernel


SILENCE = 2.0  # seconds without an answer; a SYN that is lost is sent again after one


def shops(prefix: str) -> str:
    """The shop's lasting address: area 2, and the number of its IPv4 address, 10.7.1.14."""
    return f"{prefix}:2::e"


def moved(here: Site, prefix: str) -> str:
    """The desk has its address from router advertisements; the shop's keeper gives it its own."""
    here.shop_host.shell(f"ip -6 address add {shops(prefix)}/64 dev peer3 nodad")
    eventually(lambda: bool(here.has(prefix)))
    return here.has(prefix)


def goes(here: Site, prefix: str, source: str) -> None:
    """What the charter says, tried by hosts from addresses inside a prefix."""
    desk, far = here.place.desk, here.place.far
    assert desk.do("probe", WORLD, 80, source)
    assert desk.do("probe", shops(prefix), 80, source)
    assert not desk.do("probe", shops(prefix), 81, source)
    assert far.do("probe", shops(prefix), 80, WORLD)


def test_the_site_follows_its_prefix(tmp_path: Path) -> None:
    """RFC 7084 WPD-1 and L-13, RFC 9096 section 3.5: asked for, advertised, and where it is replaced
    the old one is deprecated at once. By the steward, with nobody's help."""
    with site(tmp_path) as here:
        here.served(FIRST)
        here.services()
        running = here.steward()
        here.kept(2)
        old = moved(here, FIRST)
        goes(here, FIRST, old)
        here.place.desk.do("dial", WORLD, 80, old)
        here.served(SECOND)
        here.learnt(SECOND)
        print(f"followed in {here.kept(3):.1f} s")
        here.place.desk.begin("say")  # what stood by the old prefix is cut, and hears nothing more
        new = moved(here, SECOND)
        eventually(lambda: not here.has(FIRST))
        assert here.has(FIRST, preferred=False) == old  # deprecated, and still there
        assert here.place.desk.end() is False
        goes(here, SECOND, new)
        here.served("")
        assert not here.place.far.do("probe", shops(FIRST), 80, WORLD, SILENCE)
        assert not here.place.desk.do("probe", WORLD, 80, old, SILENCE)
        here.learnt("")
        here.kept(4)  # RFC 8415 section 12.1: not used beyond its time
        assert running.end() == 0
        assert here.place.run("holds").code == 0
        assert not here.place.desk.do("probe", WORLD, 80, new, SILENCE)
        again = here.place.run("renumber").json()
        assert (again["state"], again["without"]) == ("as before", ["copper"])
        lines = (here.state / "history.jsonl").read_text().splitlines()
        happened = [(one["who"], one["what"], one["why"]) for one in map(json.loads, lines)][2:]
        assert happened[2] == (
            "steward", "enacted", f"{SECOND}::/56 is delegated over copper, no longer {FIRST}::/56",
        )  # fmt: skip
        assert [one[:2] for one in happened] == [("steward", "enacted"), ("steward", "kept")] * 3
