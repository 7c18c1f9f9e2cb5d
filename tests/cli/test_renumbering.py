"""A provider delegates a prefix, changes it, and falls silent; the site follows, and promises hold."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.gateway import HURRY, Gateway, gateway
from tests.cli.renumbering import CHARTER, FIRST, SECOND, WORLD, Site, eventually, site

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
        here.kept(4)  # RFC 8415 section 18.2.5: not used beyond its time
        assert running.end() == 0
        held = here.place.run("holds")
        assert held.code == 0 and "another Netcharter" not in held.told
        assert not here.place.desk.do("probe", WORLD, 80, new, SILENCE)
        again = here.place.run("renumber").json()
        assert (again["state"], again["without"]) == ("as before", ["copper"])
        lines = (here.state / "history.jsonl").read_text().splitlines()
        happened = [(one["who"], one["what"], one["why"]) for one in map(json.loads, lines)][2:]
        assert happened[2] == (
            "steward", "enacted", f"{SECOND}::/56 is delegated over copper, no longer {FIRST}::/56",
        )  # fmt: skip
        assert [one[:2] for one in happened] == [("steward", "enacted"), ("steward", "kept")] * 3


def told(here: Gateway, *prefixes: str) -> None:
    """What the kit's script would have written down."""
    (here.folder / "state" / "learnt").mkdir(exist_ok=True)
    lines = [f"{prefix} 7 9 100 eth0\n" for prefix in prefixes]
    (here.folder / "state" / "learnt" / "1").write_text("".join(lines))


def test_what_can_not_be_used_is_told_and_nothing_else_changes(tmp_path: Path) -> None:
    with gateway(tmp_path) as here:
        assert here.run("renumber").json()["state"] == "nothing kept"
        here.kept(CHARTER)
        # Proven also with what stands in: the offer is met in IPv6 once there is a prefix.
        opened = CHARTER.replace("on: copper, to: shop", "on: copper, to: shop, from: world")
        broken = opened.replace("reach: desk}", "reach: [desk, shop]}")
        here.write("broken.yaml", broken)
        judged = here.run("enact", "broken.yaml", "--only-judge", *HURRY).json()
        assert [one["check"] for one in judged["refused"]] == ["promises"]
        told(here, "2001:db8:99::/56", "\x1b[31m", "$(reboot)/56")
        found = here.run("renumber")
        assert (found.code, found.json()["state"], found.json()["version"]) == (0, "as before", 1)
        (refused,) = found.json()["refused"]
        assert refused["line"] == "copper" and "of the place world" in refused["reason"]
        told(here, f"{FIRST}::/56")
        assert here.run("renumber").json()["version"] == 2
        look = here.look()
        assert f"from {FIRST}::/56 fwmark 0/0xf lookup 101" in here.bench.shell("ip -6 rule")
        here.write("other.yaml", CHARTER.replace("the shop", "the new shop"))
        told(here, "2001:db8:99::/56")
        judged = here.run("enact", "other.yaml", "--only-judge", *HURRY).json()
        assert any("of the place world" in one for one in judged["others"])
        told(here, f"{SECOND}::/56")
        assert here.run("enact", "other.yaml", *HURRY).code == 0
        busy = here.run("renumber")
        assert busy.code == 2 and "on trial" in busy.json()["reason"]
        assert here.run("undo").code == 0 and here.look() == look
        # What it had is the provider's again, whatever it tells now.
        told(here, "2001:db8:99::/56")
        found = here.run("renumber")
        assert found.json()["state"] == "renumbered" and found.json()["without"] == ["copper"]
        assert "lookup 101" in here.bench.shell("ip -6 rule")
        assert FIRST not in here.look()


def test_of_two_versions_each_comes_up_with_its_own_prefix(tmp_path: Path) -> None:
    """A boot does not ask what is delegated now; the steward follows from there."""
    with gateway(tmp_path) as here:
        told_first = here.folder / "state"
        told_first.mkdir(mode=0o700)
        told(here, f"{FIRST}::/56")
        here.kept(CHARTER)  # a charter that is enacted takes over what is delegated
        assert f"{FIRST}:1::1" in here.look()
        told(here, f"{SECOND}::/56")
        here.bench.shell("ip -6 address flush dev eth2 scope global")
        assert here.run("boot").code == 0
        assert f"{FIRST}:1::1" in here.look() and SECOND not in here.look()
        assert here.run("renumber").json()["state"] == "renumbered"
        assert f"{SECOND}:1::1" in here.look() and FIRST not in here.look()
        assert here.run("undo", "1", "--because", "to see").code == 0
        assert f"{FIRST}:1::1" in here.look()
