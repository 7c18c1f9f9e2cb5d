"""What a programme expects, beside an interpreter that reads the charter's YAML and nothing else.

The naive interpreter (`tests/oracle/naive.py`) decides what each probe really sends. Where a probe
expects something else than it says word for word, the reason must be one that
`docs/explanation/rehearsal.md` lists, and is checked here from the packet alone. What kernels do of
it is from memory of Linux 6.18 (`ip_route_input_slow`, `ip6_rcv_core`, `ip6_forward`, `icmp_send`,
`nf_reject`), and from rehearsals that agreed.
"""

from __future__ import annotations

from dataclasses import replace
from ipaddress import IPv4Address, IPv6Address, ip_network
from pathlib import Path

import pytest

from netcharter.lab.world import world
from netcharter.plan import labels
from netcharter.probes.programme import programme
from netcharter.probes.shapes import GATEWAY, Probe
from tests.oracle import naive, site
from tests.oracle.compared import NOW, Pair, both, decider, pair
from tests.oracle.naive import Attempt, Fate
from tests.probes.reading import Reader, exit_of

CHARTERS, PROBES = 5, 1500
TCP, UDP, ICMP, ICMPV6 = 6, 17, 1, 58
INVALID = "nc_invalid"
LINK_LOCAL = ip_network("fe80::/10")
JOINED = {IPv4Address("224.0.0.1"), IPv6Address("ff02::1")}  # RFC 1112, RFC 4291 section 2.8


def reader_of(found: Pair, limit: int) -> Reader:
    where = world(found.plan)
    made = programme(found.plan, where, NOW, limit=limit)
    return Reader(found.plan, found.site, where, made, NOW)


# What the demo says by name and the naive reading of other tests does not need: IANA's ports, over
# the transport that RFC 3261 (with TLS), RFC 8314, RFC 7826 and RFC 8010 give them.
NAMED = {
    "sips": [(TCP, 5061, 5061)],
    "submissions": [(TCP, 465, 465)],
    "rtsp": [(TCP, 554, 554)],
    "ipp": [(TCP, 631, 631)],
}


def demo(repository: Path, monkeypatch: pytest.MonkeyPatch) -> Pair:
    for name, parts in NAMED.items():
        monkeypatch.setitem(site.WELL_KNOWN, name, parts)
    text = (repository / "examples" / "tarn-hollow" / "charter.yaml").read_text(encoding="utf-8")
    found = both("demo", text)
    assert found is not None
    return found


@pytest.mark.parametrize("number", range(CHARTERS))
def test_random_programmes_expect_what_the_naive_interpreter_says(number: int) -> None:
    assert_all(reader_of(pair(number), PROBES))


def test_the_demo_expects_what_the_naive_interpreter_says(
    repository: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert_all(reader_of(demo(repository, monkeypatch), 6000))


def assert_all(reader: Reader) -> None:
    assert reader.programme.probes
    for probe in reader.programme.probes:
        attempt, environment = reader.attempt(probe), reader.environment(probe)
        assert naive.exists(reader.site, attempt, environment), probe
        fate = naive.fate(reader.site, attempt, environment)
        problem = differs(reader, probe, attempt, fate)
        assert not problem, f"{problem}\n{probe}\n{attempt}\n{environment}\n{fate}"


def differs(reader: Reader, probe: Probe, attempt: Attempt, fate: Fate) -> str:
    """What is wrong with an expectation; nothing if it is right or excused."""
    counted = [name for name in probe.expected.counters if name != INVALID]
    if not counted:
        return unseen(reader, probe, attempt)
    if counted != [labels.row_name(probe.row)]:
        return "the counter is not that of the decision"
    row = next(row for row in reader.plan.rows if row.label == probe.row)
    if (decider(reader.plan, row), row.kind) != (fate.decider, fate.kind):
        return "another decision"
    if fate.verdict == "let":
        return let(reader, probe, attempt, fate)
    return refused(reader, probe, attempt, fate)


def let(reader: Reader, probe: Probe, attempt: Attempt, fate: Fate) -> str:
    expected = probe.expected
    if not expected.arrives:
        shown = attempt.protocol == ICMP and exit_of(reader, attempt, probe.setting.up)
        return "" if shown in reader.site.lines else "let, but nobody receives it"
    where = {reader.entrances[name] for name in expected.arrives}
    end, number = probe.packet.destination, probe.packet.number
    if fate.delivered is not None:
        end = fate.delivered[0]  # type: ignore[assignment]
        number = fate.delivered[1] if attempt.protocol in (TCP, UDP) else number
        wanted = next(a.name for a in reader.site.areas.values() if naive.in_area(a, end))
    else:
        wanted = exit_of(reader, attempt, probe.setting.up)
    inside = wanted in (GATEWAY, "many") or attempt.destination == ip_network("::1")[0]
    if where != {GATEWAY if inside or end.is_loopback else wanted}:
        return f"it arrives at {where}, not at {wanted}"
    if (expected.destination, expected.number) != (end, number):
        return "it is delivered elsewhere"
    return looks(reader, probe, attempt, wanted)


def looks(reader: Reader, probe: Probe, attempt: Attempt, wanted: str) -> str:
    """From whom it seems to come (kit, "Translation")."""
    shown = set(probe.expected.sources.values())
    source = probe.packet.source
    hosts = [a for a in reader.site.areas.values() if naive.inside(source, a.v4)]
    if wanted in reader.site.lines and hosts:
        own = [i.ip for i in reader.site.lines[wanted].interfaces if i.version == 4][:1]
        own += [i.ip for i in [reader.world.lines4.get(wanted, (None,))[0]] if i is not None]
        return "" if shown == set(own) else f"shown from {shown}, not from {own}"
    delivered = probe.expected.destination != probe.packet.destination
    if delivered and wanted == attempt.entrance:
        gateway = naive.first_usable(reader.site.areas[wanted].v4)
        return "" if shown == {gateway} else f"shown from {shown}, not from {gateway}"
    return "" if shown == {source} else f"shown from {shown}"


def refused(reader: Reader, probe: Probe, attempt: Attempt, fate: Fate) -> str:
    expected = probe.expected
    if expected.arrives or INVALID in expected.counters:
        return "refused, and yet more becomes of it"
    if expected.answer == fate.manner:
        return ""
    if expected.answer != "silent":
        return "another manner"
    area = reader.site.areas.get(attempt.entrance)
    heard = area is not None and naive.is_host(reader.site, area, attempt.source)
    plain = attempt.protocol in (TCP, UDP) and not _to_many(reader, attempt)
    if heard and plain and int(probe.packet.destination) != 0:
        return "an answer that should be heard"
    return ""


def _to_many(reader: Reader, attempt: Attempt) -> bool:
    end = attempt.destination
    edges = [a.v4.broadcast_address for a in reader.site.areas.values()]
    edges += [i.network.broadcast_address for line in reader.site.lines.values()
              for i in line.interfaces if i.version == 4]  # fmt: skip
    return naive.is_multicast(end) or end in edges


def unseen(reader: Reader, probe: Probe, attempt: Attempt) -> str:
    """Counted by no decision: for want of a conversation, of a route, or dropped by the kernel."""
    expected, packet = probe.expected, probe.packet
    if expected.arrives:
        return "it arrives without a decision"
    if expected.counters == (INVALID,):
        starts = probe.shape not in ("no-start", "no-question")
        return "it starts a conversation" if starts else ""
    if probe.shape == "source-routed":
        return ""
    if expected.answer == "prohibited" or (expected.answer == "silent" and _no_way(reader, probe)):
        return "" if _no_way(reader, probe) else "there is a route"
    if expected.answer == "unreachable":
        return "" if packet.source in LINK_LOCAL else "it may be forwarded"
    return "" if _dropped(reader, attempt, packet.source, packet.destination) else "not dropped"


def _no_way(reader: Reader, probe: Probe) -> bool:
    """No line that is up has a next hop, or none that the source may leave by."""
    attempt = reader.attempt(probe)
    where = exit_of(reader, attempt, probe.setting.up)
    if where == "nowhere":
        where = exit_of(reader, _as_far(attempt), probe.setting.up)
    return where == "no way out"


def _as_far(attempt: Attempt) -> Attempt:
    """The same attempt to somewhere that is the internet for certain."""
    four = naive.family(attempt.source) == 4
    end = IPv4Address("11.22.33.44") if four else IPv6Address("2606:2800:ffff::1")
    return replace(attempt, destination=end)


def _dropped(reader: Reader, attempt: Attempt, source: object, end: object) -> bool:
    """Sources and destinations that no hook of the kit ever sees."""
    assert isinstance(source, IPv4Address | IPv6Address)
    assert isinstance(end, IPv4Address | IPv6Address)
    if end.is_loopback or int(end) == 0 or (end.is_multicast and end not in JOINED):
        return True
    if source.is_loopback or source.is_multicast:
        return True
    if source.version == 6:
        return int(source) == 0
    own = naive.is_gateway(reader.site, attempt.source)
    everybody = source == IPv4Address("255.255.255.255")
    edges = [a.v4 for a in reader.site.areas.values()]
    edges += [i.network for line in reader.site.lines.values()
              for i in line.interfaces if i.version == 4]  # fmt: skip
    broadcast = any(source == n.broadcast_address and n.prefixlen < 31 for n in edges)
    return own or everybody or broadcast or int(source) == 0
