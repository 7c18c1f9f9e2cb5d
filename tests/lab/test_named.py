"""Names in a lab: hosts ask the kit's own unbound, it asks the lab's internet, and faults are seen."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import pytest
from dns import flags, message, rcode, rdatatype
from hypothesis import given
from hypothesis import strategies as st

from netcharter.charter.read import read
from netcharter.lab import tools
from netcharter.lab.answering import FAR, ROOT, _told
from netcharter.lab.apart import apart
from netcharter.lab.messages import AAAA, NS, PTR, SOA, A, Record, answer, asked, question, reply
from netcharter.lab.named import MISSING, PROGRAM, Named, named
from netcharter.lab.site import Site
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.seats import Seat, Seats
from netcharter.probes.shapes import Station
from netcharter.render.leading import CONF as LED
from netcharter.render.resolver import CONF
from tests.kernel.namespace import needed
from tests.lab.rehearsing import NOW, SMALL, kit, small

Files = Mapping[str, bytes]


def stations(plan: Plan) -> tuple[Station, ...]:
    """Everybody who is at home, with the addresses of the plan."""
    seats = Seats(plan)
    homes = (seat for area in plan.areas for seat in seats.at_home(area.name))
    return tuple(map(_station, (*(seats.line(line.name) for line in plan.lines), *homes)))


def _station(seat: Seat) -> Station:
    own = tuple(a for a in dict.fromkeys(seat.own) if not a.is_link_local)
    return Station(seat.name, seat.entrance, seat.hardware, own)


@cache
def plan() -> Plan:
    return small()


def told(files: Files, as_user: bool = False, of: Plan | None = None) -> Named:
    needed()
    if tools.path_of(PROGRAM) is None:
        pytest.skip("NOBODY ASKED FOR NAMES: no unbound is here (tools/setup demo)")
    one = of or plan()
    where, there = world(one), stations(one)

    def within() -> Named:
        with Site(one, files, there, where) as site:
            return named(one, files, site, there, NOW)

    return apart(within, as_user=as_user, limit=120.0)


@pytest.mark.kernel
@pytest.mark.parametrize("as_user", [False, True])
def test_hosts_are_told_what_is_right_and_somebody_outside_was_asked(as_user: bool) -> None:
    found = told(kit(plan()), as_user)
    areas = len(plan().areas)
    assert found.ok, found.differences
    assert (found.areas, found.outside, found.untried) == (areas, areas * 4 * 2, ())


@pytest.mark.kernel
@pytest.mark.parametrize(
    ("resolvers", "outside", "untried"),
    [("[198.41.0.4]", 32, 0), ("[{address: 198.41.0.4, tls: dns.example.net}]", 0, 1)],
)
def test_resolvers_of_the_charter_are_asked_in_the_clear(
    resolvers: str, outside: int, untried: int
) -> None:
    charter = read(f"{SMALL}resolvers: {resolvers}\n", "hut.yaml").charter
    assert charter is not None
    one = make_plan(charter)
    found = told(kit(one), of=one)
    assert found.ok, found.differences
    assert (found.outside, len(found.untried)) == (outside, untried)


@pytest.mark.kernel
def test_what_is_wrong_is_seen() -> None:
    """Another address of a device, one without a name, an area that is refused, answers from outside
    that lead inside, and an outside that is not asked."""
    files = dict(kit(plan()))
    text = files[CONF].decode()
    desk = next(d for d in plan().devices if d.name == "desk")
    office, other = plan().areas[:2]
    for old, new in (
        (f"IN A {desk.addresses4[0]}", "IN A 10.9.9.9"),
        (f'local-data-ptr: "{desk.addresses4[0]} ', 'local-data-ptr: "10.9.9.8 '),
        (f"access-control: {other.v4} allow", f"access-control: {other.v4} refuse"),
        ("private-address: 10.0.0.0/8", ""),
    ):
        assert old in text
        text = text.replace(old, new)
    text += 'server:\n    local-zone: "far.example." redirect\n'
    text += f'    local-data: "far.example. IN A {FAR[A]}"\n'
    wrong = " | ".join(told({**files, CONF: text.encode()}).differences)
    assert "was told 10.9.9.9 for desk.home.arpa, and not" in wrong
    assert "was told nothing for" in wrong and "in-addr.arpa, and not desk.home.arpa" in wrong
    assert "by UDP in IPv4 was told nothing for gateway.home.arpa, and not" in wrong
    assert ".rebound.example, and not nothing" in wrong and "was told 10.0.0.80 for" in wrong
    assert ".far.example, and nobody outside was" in wrong
    assert f"gateway.home.arpa, and not {office.gateway4}" not in wrong


def with_places() -> Plan:
    """Places that are made of names; one of these is withheld."""
    places = "places:\n  bank: {domains: [pay.example, cards.example.net]}\n  school: {domains: le.example}"
    text = SMALL.replace("places:", places)
    text += "names:\n  - {withhold: play.example, for: office}\n"
    text = text.replace(
        "rules:\n", "rules:\n  - {let: tills, reach: [bank, school], with: https, because: cards}\n"
    )
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.mark.kernel
def test_where_names_of_places_lead_is_in_their_sets() -> None:
    one = with_places()
    found = told(kit(one), of=one)
    assert found.ok and found.ruled > 100, found.differences


@pytest.mark.kernel
def test_a_set_that_is_not_filled_is_seen() -> None:
    one = with_places()
    files = dict(kit(one))
    text = files[LED].decode()
    assert "nftset=/le.example/" in text and ",6#inet#netcharter#nc_led6_bank" in text
    text = text.replace("nftset=/le.example/", "nftset=/la.example/")
    text = text.replace(",6#inet#netcharter#nc_led6_bank", "")
    wrong = told({**files, LED: text.encode()}, of=one).differences
    assert len(wrong) == 5  # four sets of the one, one of the other
    assert any("the set nc_led6_bank holds nothing" in each for each in wrong)
    assert sum("the names of school led to" in each for each in wrong) == 4


@pytest.mark.kernel
def test_a_resolver_that_does_not_begin_is_no_difference() -> None:
    files = {**kit(plan()), CONF: b"server:\n    nonsense: yes\n"}
    with pytest.raises(CommandFailed, match="nonsense"):
        told(files)


def test_without_unbound_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tools, "path_of", lambda _: None)
    found = named(plan(), kit(plan()), None, (), NOW)  # type: ignore[arg-type]
    assert found == Named(MISSING)


# --- messages ------------------------------------------------------------------------------------

LABELS = st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=63)
NAMES = st.lists(LABELS, max_size=3).map(".".join)


@given(st.integers(0, 65_535), NAMES, st.sampled_from((A, NS, SOA, PTR, AAAA)))
def test_rfc1035_questions_are_as_dnspython_reads_and_writes_them(
    number: int, name: str, kind: int
) -> None:
    read = message.from_wire(question(number, name, kind))
    assert (read.id, read.flags) == (number, flags.RD)
    (one,) = read.question
    assert one.name.to_text() == f"{name}." and one.rdtype == rdatatype.RdataType(kind)
    made = message.make_query(f"{name}.", rdatatype.RdataType(kind), id=number)
    assert asked(made.to_wire()) == (number, name, kind)


def test_rfc1035_answers_are_as_dnspython_reads_and_writes_them() -> None:
    records = (
        Record("x.example", A, "192.0.2.1"),
        Record("x.example", AAAA, "2001:db8::1"),
        Record("x.example", NS, ROOT),
    )
    wire = reply(question(7, "x.example", A), records, (Record("", SOA, ""),))
    read = message.from_wire(wire)
    assert read.flags & flags.AA and read.rcode() == rcode.NOERROR
    lines = [line for each in read.answer for line in each.to_text().splitlines()]
    assert lines == [
        "x.example. 60 IN A 192.0.2.1",
        "x.example. 60 IN AAAA 2001:db8::1",
        f"x.example. 60 IN NS {ROOT}.",
    ]
    again = answer(read.to_wire(), 7)  # with compressed names
    assert again.records == records and again.told(A) == ("192.0.2.1",)
    with pytest.raises(ValueError, match="not the answer"):
        answer(wire, 8)


@given(st.binary(max_size=80))
def test_what_is_no_message_is_told_so(data: bytes) -> None:
    for reader in (asked, lambda each: answer(each, 0)):
        try:
            reader(data)
        except ValueError:
            pass


def test_names_without_an_end_end() -> None:
    looped = bytes(4) + b"\0\1" + bytes(6) + b"\xc0\x0c" + bytes(4)
    with pytest.raises(ValueError, match="without an end"):
        asked(looped)


def test_the_lab_s_servers_have_the_last_word_on_all_names() -> None:
    assert _told("", NS) == (Record("", NS, ROOT),)
    assert _told("a.far.example", A) == (Record("a.far.example", A, FAR[A]),)
    assert _told("example", A) == () == _told("a.far.example", PTR)
