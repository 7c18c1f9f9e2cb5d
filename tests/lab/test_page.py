"""From the look-up to the page, in a lab: a host asks the kit's dnsdist for a withheld name, goes where
it is led, through the kit's filter, and reads why; nobody else gets there, and nobody by https."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import ExitStack
from http.client import HTTPConnection
from typing import Any

import pytest
from dns import message, query, rdatatype

from netcharter.lab import isolation, named, withheld
from netcharter.lab.apart import apart
from netcharter.lab.serving import ENDING, ended
from netcharter.lab.site import KIT, Site
from netcharter.lab.world import world
from netcharter.probes.shapes import GATEWAY
from netcharter.render import stores
from netcharter.render.gate import SETTINGS
from netcharter.render.resolver import CONF
from netcharter.render.withholding import CONF as FRONT
from tests.lab.rehearsing import NOW, kit, planned
from tests.lab.test_named import stations
from tests.lab.test_withheld import TEXT, ready

RULES = """
lists:
  games: {entries: [games.example, bets.example], topic: play, contact: duty warden}
names:
  - {answer: chess.games.example, for: hall}
  - {withhold: play, for: hall, because: lessons}
  - {withhold: cam-only.example, for: cam}
"""
HALL, YARD = "10.40.0.1", "10.40.1.1"
PATIENCE = 30.0
CLOSED = "refused"


def led(server: str, name: str, kind: str) -> str:
    """The address that a name leads to."""
    asked = message.make_query(name, kind)
    end = time.monotonic() + PATIENCE
    while True:
        try:
            found = query.udp(asked, server, timeout=2.0)
            break
        except Exception:
            if time.monotonic() > end:
                raise
    [one] = [r for a in found.answer for r in a if r.rdtype == rdatatype.from_text(kind)]
    return str(one)


def page(address: str, name: str, port: int = 80) -> str:
    """Status and heading of what is there, or that nobody is."""
    connection = HTTPConnection(address, port, timeout=PATIENCE)
    try:
        connection.request("GET", "/", headers={"Host": name})
        reply = connection.getresponse()
        text = reply.read().decode("utf-8")
        told = "explained" if f"{name}</bdi> <span>is withheld here" in text else "gateway"
        return f"{reply.status} {told}"
    except ConnectionRefusedError:
        return CLOSED
    finally:
        connection.close()


def begun(address: str) -> None:
    """Wait until the gateway itself reaches the page."""
    end = time.monotonic() + 4 * PATIENCE  # more than a busy machine takes
    while page(address, "begun.example") == CLOSED:
        assert time.monotonic() < end
        time.sleep(0.2)


@pytest.mark.kernel
def test_a_withheld_name_leads_to_the_page_and_nobody_else_gets_there() -> None:
    ready()
    plan = planned(TEXT + RULES)

    def there() -> Any:
        files, hosts = kit(plan), stations(plan)
        with ExitStack() as running:
            site = running.enter_context(Site(plan, files, hosts, world(plan)))
            gateway = site.places[GATEWAY].namespace
            running.enter_context(named.unbound(gateway, files[CONF], True))
            asking = withheld.Asking(plan, NOW)
            running.enter_context(withheld.dnsdist(gateway, files[FRONT], asking))
            settings = files[SETTINGS].decode().replace(stores.AT, f"{KIT}/names")
            with open(f"{KIT}/{SETTINGS}", "w", encoding="ascii") as file:
                file.write(settings)
            command = [sys.executable, "-m", "netcharter", "gate", "--settings",
                       f"{KIT}/{SETTINGS}", "--requests", KIT]  # fmt: skip
            with isolation.inside(gateway):
                process = subprocess.Popen(command)
            running.callback(ended, process, ENDING)
            with isolation.inside(gateway):
                begun(HALL)
            found: list[object] = []
            with isolation.inside(site.places["hall/desk"].namespace):
                for name in ("games.example", "www.bets.example"):
                    for kind in ("A", "AAAA"):
                        address = led(HALL, name, kind)
                        found.append((name, kind, page(address, name)))
                found.append(("another", page(HALL, "chess.games.example")))
                found.append(("https", page(HALL, "games.example", 443)))
                found.append(("elsewhere", page(YARD, "games.example")))
            with isolation.inside(site.places["yard/cam"].namespace):
                found.append(("cam", page(led(YARD, "cam-only.example", "A"), "cam-only.example")))
                found.append(("hall's", page(YARD, "games.example")))
            others = [one for one in site.places if one.startswith("yard/") and one != "yard/cam"]
            with isolation.inside(site.places[others[0]].namespace):
                found.append(("not the cam", page(YARD, "cam-only.example")))
            return found

    assert apart(there, limit=300.0) == [
        ("games.example", "A", "403 explained"),
        ("games.example", "AAAA", "403 explained"),
        ("www.bets.example", "A", "403 explained"),
        ("www.bets.example", "AAAA", "403 explained"),
        ("another", "421 gateway"),
        ("https", CLOSED),
        ("elsewhere", "403 explained"),  # the gateway's address in another area is its own, too
        ("cam", "403 explained"),
        ("hall's", "421 gateway"),
        ("not the cam", CLOSED),
    ]
