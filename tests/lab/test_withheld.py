"""Names rules in a lab: dnsdist and unbound do what was written, told by dnspython and by the plan.

What is wanted in the first test stands here by hand, from docs/explanation/model.md section 11; in the
others the lab asks itself what the plan decides, and its faults are seen.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Any

import pytest
from dns import message, query, rcode, rdatatype

from netcharter.lab import isolation, named, tools, withheld
from netcharter.lab.answering import ELSEWHERE, FAR, FIRST, Answering
from netcharter.lab.apart import apart
from netcharter.lab.messages import AAAA, A
from netcharter.lab.named import Named
from netcharter.lab.site import Site
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.world import world
from netcharter.plan.names.times import key_of
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY
from netcharter.render.resolver import CONF
from netcharter.render.withholding import CONF as FRONT
from netcharter.render.withholding_rules import LONGEST
from netcharter.steward.duties import names
from netcharter.steward.shapes import NameTime, TellNames
from tests.kernel.namespace import needed
from tests.lab.rehearsing import NOW, kit, planned
from tests.lab.test_named import stations
from tests.render.names_rules import random_names_rules

TEXT = """
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk, domain: hut.example}
lines:
  copper:
    device: eth0
    address: [203.0.113.10/29, '2001:db8:7aff::2/64']
    next-hop: [203.0.113.9, '2001:db8:7aff::1']
    prefix: 2001:db8:7a00::/48
areas:
  hall: {device: eth2, prefix: 10.40.0.0/28}
  yard: {device: eth3, prefix: 10.40.1.0/28}
devices:
  desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}
  cam: {area: yard, hardware: '02:00:00:aa:00:02', address: lasting}
"""
RULES = """
hours: {lessons: {weekly: {mon-fri: ['08:30-15:30']}}}
lists:
  games: {entries: [games.example, bets.example], topic: play}
  hosts: {entries: [one.example], topic: play}
names:
  - {answer: help.games.example, for: anyone, emergency: true, because: calls}
  - {answer: chess.games.example, for: hall, because: "a club\\n]] os.exit(1)"}
  - {withhold: [play, ads.example, _odd-.example], for: hall, because: lessons}
  - {withhold: cam.example, for: cam}
  - {withhold: chat.example, for: anyone, during: lessons}
  - {answer: late.example, for: anyone, during: lessons}
  - {withhold: late.example, for: anyone}
  - {rewrite: [www.search.example, search.example], to: strict.search.example, for: hall}
  - {rewrite: old.example, to: desk.hut.example, for: anyone}
  - {rewrite: here.example, to: gateway.hut.example, for: anyone}
  - {rewrite: lost.example, to: lost.home.arpa, for: anyone}
"""
LESSON = NOW  # a Wednesday, 12:00
EVENING = NOW.replace(hour=20)
HALL, YARD, DESK = ("10.40.0.1", "10.40.1.1", "10.40.0.14")
FAR4, FAR6, OTHER4, OTHER6 = FAR[A], FAR[AAAA], ELSEWHERE[A], ELSEWHERE[AAAA]
GONE, THERE = "NXDOMAIN", "NOERROR"
# Who asks for what, and what is answered: addresses, or a code where there are none.
WANTED: tuple[tuple[str, str, str, str], ...] = (
    ("hall", "games.example", "A", HALL),  # by a list
    ("hall", "a.b.GAMES.example", "A", HALL),  # and below
    ("hall", "games.example", "HTTPS", THERE),
    ("hall", "games.example", "TXT", THERE),
    ("hall", "games.example", "ANY", THERE),
    ("hall", "one.example", "A", HALL),  # by its topic
    ("hall", "ads.example", "A", HALL),
    ("hall", "x._odd-.example", "A", HALL),
    ("hall", "xgames.example", "A", FAR4),
    ("hall", "chess.games.example", "A", FAR4),  # an exception
    ("hall", "help.games.example", "A", FAR4),  # an emergency
    ("yard", "games.example", "A", FAR4),  # it is for the hall
    ("yard", "games.example", "HTTPS", "yes"),
    ("yard", "cam.example", "A", YARD),
    ("hall", "cam.example", "A", FAR4),
    ("yard", "chat.example", "A", YARD),
    ("yard", "late.example", "A", FAR4),
    ("hall", "www.search.example", "A", OTHER4),
    ("hall", "www.search.example", "AAAA", OTHER6),
    ("hall", "www.search.example", "HTTPS", "yes"),
    ("hall", "search.example", "A", OTHER4),
    ("hall", "x.search.example", "A", FAR4),  # not what is below
    ("yard", "www.search.example", "A", FAR4),
    ("yard", "old.example", "A", DESK),
    ("yard", "old.example", "HTTPS", THERE),
    ("yard", "here.example", "A", YARD),
    ("hall", "here.example", "A", HALL),
    ("yard", "lost.example", "A", GONE),
    ("hall", "use-application-dns.net", "A", GONE),
    ("yard", "use-application-dns.net", "AAAA", GONE),
    ("hall", "desk.hut.example", "A", DESK),
    ("hall", "14.0.40.10.in-addr.arpa", "PTR", "desk.hut.example."),
    ("hall", "x.test", "A", GONE),
    ("hall", "_dns.resolver.arpa", "TYPE64", GONE),
    ("hall", "1.0.168.192.in-addr.arpa", "PTR", GONE),
)


def ready() -> None:
    needed()
    if withheld.missing() or tools.path_of("unbound") is None:
        pytest.skip(
            "NO NAMES RULE WAS TRIED: no dnsdist, cdb or unbound is here (tools/setup demo)"
        )


def plan() -> Plan:
    return planned(TEXT + RULES)


class Serving:
    """A gateway that answers, and who asks it by dnspython."""

    def __init__(self, plan: Plan, site: Site, asking: withheld.Asking) -> None:
        self.site, self.asking = site, asking
        self._areas = {area.name: area for area in plan.areas}
        self._who = {"hall": "hall/desk", "yard": "yard/cam"}

    def __call__(self, area: str, name: str, kind: str, stream: bool = False) -> str:
        plan, place = self._areas[area], self.site.places[self._who[area]]
        asked = message.make_query(name, kind)
        with isolation.inside(place.namespace):
            by = query.tcp if stream else query.udp
            end = time.monotonic() + 20.0
            while True:
                try:
                    found = by(asked, str(plan.gateway4), timeout=2.0)
                    break
                except Exception:
                    if time.monotonic() > end:
                        raise
        wanted = rdatatype.from_text(kind)
        told = sorted(str(r) for one in found.answer for r in one if one.rdtype == wanted)
        if kind == "HTTPS" and told:
            return "yes"
        return " ".join(told) or rcode.to_text(found.rcode())


@contextmanager
def serving(plan: Plan, now: datetime) -> Iterator[Serving]:
    files, there = kit(plan), stations(plan)
    with ExitStack() as running:
        site = running.enter_context(Site(plan, files, there, world(plan)))
        site.lines(frozenset(line.name for line in plan.lines))
        asking = withheld.Asking(plan, now)
        beyond = [site.places[s.name] for s in there if s.entrance == "copper"]
        told = {name: FAR for _, name, *_ in WANTED} | dict(asking.outside)
        told |= {name.lower(): found for name, found in told.items()}
        running.enter_context(Answering(beyond, FIRST, told))
        gateway = site.places[GATEWAY].namespace
        running.enter_context(named.unbound(gateway, files[CONF], True))
        running.enter_context(withheld.dnsdist(gateway, files[FRONT], asking))
        found = Serving(plan, site, asking)
        found("hall", "desk.hut.example", "A")  # it has begun
        yield found


def within(work: Callable[[Serving], Any], now: datetime = LESSON) -> Any:
    ready()
    one = plan()

    def there() -> Any:
        with serving(one, now) as ask:
            return work(ask)

    return apart(there, limit=120.0)


@pytest.mark.kernel
def test_what_is_written_is_what_dnspython_is_told() -> None:
    """By UDP, and by TCP what is withheld."""

    def work(ask: Serving) -> list[str]:
        found = [ask(area, name, kind) for area, name, kind, _ in WANTED]
        return [
            *found,
            ask("hall", "games.example", "A", True),
            ask("yard", "chat.example", "A", True),
        ]

    found = within(work)
    wanted = [*(told for *_, told in WANTED), HALL, YARD]
    asked = [*WANTED, "by TCP", "by TCP"]
    assert [*zip(asked, found, strict=True)] == [*zip(asked, wanted, strict=True)]


@pytest.mark.kernel
def test_the_c_library_takes_what_is_rewritten_and_withheld() -> None:
    """glibc's own resolver, the simplest of all (getaddrinfo(3), resolv.conf(5))."""
    script = """
import socket, sys
for name in sys.argv[1:]:
    found = socket.getaddrinfo(name, 80, type=socket.SOCK_STREAM)
    print(*sorted(each[4][0] for each in found))
"""
    seen = ("www.search.example", "games.example", "old.example")

    def work(ask: Serving) -> str:
        with open("/run/resolv.conf", "w") as file:
            file.write(f"nameserver {HALL}\n")
        with open("/run/nsswitch.conf", "w") as file:
            file.write("hosts: dns\n")
        with isolation.inside(ask.site.places["hall/desk"].namespace):
            mounts = "".join(f"mount --bind /run/{one} /etc/{one}; " for one in
                             ("resolv.conf", "nsswitch.conf"))  # fmt: skip
            return tools.run(
                ["unshare", "-m", "sh", "-c", f'{mounts} exec "$0" - "$@"', sys.executable, *seen],
                script,
            )

    six = next(s.gateway for s in plan().areas[0].subnets6 if s.line is None)
    desk = next(d for d in plan().devices if d.name == "desk")
    own = next(a for a in desk.addresses6 if a in plan().local_prefix)
    wanted = ([OTHER4, OTHER6], [HALL, str(six)], [DESK, str(own)])
    assert within(work).splitlines() == [" ".join(sorted(one)) for one in wanted]


@pytest.mark.kernel
def test_hours_are_believed_while_they_may_be_and_then_the_stricter_holds() -> None:
    """What the steward itself writes; each change is seen within some seconds. chat.example is withheld
    during lessons, late.example answered then, and withheld by the rule behind."""
    key = key_of("lessons", None)

    def work(ask: Serving) -> str:
        def told(data: bytes) -> None:
            path = withheld._hours()
            with open(f"{path}.new", "wb") as file:
                file.write(data)
            os.rename(f"{path}.new", path)

        def seen() -> tuple[str, str]:
            return ask("yard", "chat.example", "A"), ask("yard", "late.example", "A")

        def lessons(holds: bool, seconds: float) -> bytes:
            till = datetime.now(UTC) + timedelta(seconds=seconds)
            return names.text(TellNames((NameTime(key, holds, till),)))

        closed, lesson, free = (YARD, YARD), (YARD, FAR4), (FAR4, YARD)
        steps: tuple[tuple[str, Callable[[], bytes] | None, tuple[str, str]], ...] = (
            ("it is a lesson", None, lesson),
            ("it is none, and who tells it dies", lambda: lessons(False, 3), free),
            ("nobody tells any more", None, closed),
            ("it is a lesson again", lambda: lessons(True, 60), lesson),
            ("somebody tells by another clock", lambda: lessons(False, 2 * LONGEST), closed),
            ("it is no lesson", lambda: lessons(False, 60), free),
            ("the clock is not known", lambda: names.text(TellNames(())), closed),
        )
        for step, data, wanted in steps:
            if data is not None:
                told(data())
            end = time.monotonic() + 10.0
            while seen() != wanted:
                if time.monotonic() > end:
                    return f"{step}: {seen()}"
                time.sleep(0.1)
        return ""

    assert within(work, LESSON) == ""


# --- as a rehearsal asks -------------------------------------------------------------------------


def rehearsed(one: Plan, files: Mapping[str, bytes], now: datetime, as_user: bool = False) -> Named:
    ready()
    where, there = world(one), stations(one)

    def inside() -> Named:
        with Site(one, files, there, where) as site:
            return named.named(one, files, site, there, now)

    return apart(inside, as_user=as_user, limit=120.0)


@pytest.mark.kernel
@pytest.mark.parametrize(("now", "as_user"), [(LESSON, False), (EVENING, True)])
def test_a_rehearsal_asks_in_every_area_and_family_what_is_decided(
    now: datetime, as_user: bool
) -> None:
    found = rehearsed(plan(), kit(plan()), now, as_user)
    assert found.ok, found.differences[:5]
    # Sixteen names of three kinds, in two families, by UDP and TCP, in both areas.
    assert (found.areas, found.ruled, found.untried) == (2, 16 * 3 * 4 * 2, ())


@pytest.mark.kernel
def test_random_names_rules_are_done_as_they_are_decided() -> None:
    for seed in range(3):
        rules = random_names_rules(Random(seed), ("hall", "yard"), ("desk", "cam"))
        one = planned(TEXT + rules)
        found = rehearsed(one, kit(one), LESSON)
        assert found.ok and found.ruled > 50, (rules, found.differences[:5])


@pytest.mark.kernel
@pytest.mark.parametrize(
    ("old", "new", "seen"),
    [
        (f'{{"{HALL}"}}', '{"10.40.0.2"}', "was told 10.40.0.2 for"),
        ('nowhere(all({who[', 'known(all({who[', "was told"),
        ('    addAction(tag, RCodeAction(DNSRCode.NOERROR))', "", "ads.example"),
        ('return told.holds', 'return not told.holds', "chat.example"),
        ('"127.53.0.', '"127.54.0.', "search.example"),
        ('during("', 'during("0', "late.example"),
        ('itself({"old.example"})', 'itself({"new.example"})', "old.example"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_seen(old: str, new: str, seen: str) -> None:
    files = dict(kit(plan()))
    text = files[FRONT].decode()
    assert old in text
    files[FRONT] = text.replace(old, new).encode()
    found = rehearsed(plan(), files, LESSON)
    assert any(seen in one for one in found.differences), found.differences[:5]


@pytest.mark.kernel
def test_a_program_that_does_not_begin_is_no_difference() -> None:
    files = {**kit(plan()), FRONT: b"-- Netcharter: \nnonsense(\n"}
    with pytest.raises(CommandFailed, match="dnsdist"):
        rehearsed(plan(), files, LESSON)


def test_without_dnsdist_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    there = tools.path_of

    monkeypatch.setattr(tools, "path_of", lambda name: None if name == "dnsdist" else "/bin/true")
    nothing: Any = None
    found = named.named(plan(), kit(plan()), nothing, (), NOW)
    assert found.skipped == "no dnsdist was found on this machine; install dnsdist"
    assert there("sh")
