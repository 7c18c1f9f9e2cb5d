"""Ways to saw off the branch one sits on: each is caught, with a witness where one can be.

The session is taken from the site as it is, and proven against the charter as it is to be. That a
witness really is refused is asked of the plan's own `fate`, and that the way in is really open of
many concrete attempts; both share nothing with the engine.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from ipaddress import ip_address
from itertools import product

import pytest

from netcharter.charter.read import read
from netcharter.plan import coding
from netcharter.plan.fate import Attempt, Environment, fate
from netcharter.plan.shapes import Plan
from netcharter.proofs import Prover
from netcharter.proofs.management import (
    Path,
    Session,
    prove_console,
    prove_session,
    session_of,
)
from tests.proofs.sites import NAME, NOW, charter, planned

DESK, SPARE = 0x0200_00AA_0001, 0x0200_00AA_0002
LINES = """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth9, address: 192.0.2.18/28, next-hop: 192.0.2.17, role: standby}
"""
FAR = "{let: bank, reach: gateway, with: ssh, because: care from afar}"
DAILY = "{let: home, reach: internet, with: http, because: daily work}"


def rules(*lines: str) -> dict[str, str]:
    return {"rules": "\n" + "".join(f"  - {line}\n" for line in lines)}


OLD: dict[str, str] = {"lines": LINES, **rules(FAR, DAILY)}


def site(**sections: str) -> Plan:
    return planned(charter(**{**OLD, **sections}))


def at_desk(plan: Plan) -> Session:
    """desk's session, from its own address to the gateway's in its area."""
    (desk,) = (one for one in plan.devices if one.name == "desk")
    (home,) = (one for one in plan.areas if one.name == "home")
    return Session(desk.addresses4[0], 50022, home.gateway4, 22, "eth1", DESK)


def from_afar(line: str = "dsl") -> Session:
    """A session over a line, from the place that the first rule names."""
    server, device = {"dsl": ("203.0.113.10", "eth0"), "mast": ("192.0.2.18", "eth9")}[line]
    return Session(ip_address("198.51.100.66"), 50022, ip_address(server), 22, device)


def proven(plan: Plan, session: Session) -> Path:
    return prove_session(Prover(plan, NOW), session)


@dataclass(frozen=True)
class Way:
    """A way to lock oneself out. line: the session comes over it; None: from desk's own place."""

    title: str
    id: str
    sections: dict[str, str]
    says: tuple[str, ...]
    line: str | None = None
    witness: bool = True
    changed: dict[str, object] = field(default_factory=dict)  # of the session
    at: str = "managed-from"  # what stands in the line of the charter that is shown


DEVICES = """
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting%s}
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}
  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting}
"""
ONLY_SPARE = {"site": "{name: Hut, timezone: Europe/London, managed-from: [spare]}"}
AREAS = """
  home: {device: %s, hosts: 12%s}
  yard: {device: %s, hosts: 12}
  club: {device: eth3, hosts: 12, sign-in: required}
"""
WAYS = (
    Way(
        "order of rules",
        "management-refused",
        rules("{refuse: internet, reach: gateway, with: ssh, because: noise}", FAR, DAILY),
        ("198.51.100.66", "rule 1"),
        line="dsl",
        at="{refuse: internet",
    ),
    Way(
        "barred device",
        "management-refused",
        {"devices": DEVICES % ", barred: true"},
        ("barred",),
        at="barred: true",
    ),
    Way(
        "renumbered area",
        "management-client-elsewhere",
        {"areas": AREAS % ("eth1", ", prefix: 10.99.0.0/24", "eth2")},
        ("10.99.0.0/24", "no address of a host"),
        at="prefix: 10.99.0.0/24",
    ),
    Way(
        "network devices of two areas exchanged",
        "management-client-elsewhere",
        {"areas": AREAS % ("eth2", "", "eth1")},
        ("come in at yard", "belongs to desk"),
        at="yard: {device: eth1",
    ),
    Way(
        "area moved to another network device",
        "management-entrance-gone",
        {"areas": AREAS % ("eth7", "", "eth2")},
        ("eth1", "no area and no line"),
        witness=False,
        at="home: {device: eth7",
    ),
    Way(
        "hours",
        "management-refused",
        rules(FAR.replace("ssh,", "ssh, during: day,"), DAILY),
        ("198.51.100.66", "16:00", "the default"),
        line="dsl",
        at="during: day",
    ),
    Way(
        "expiry",
        "management-refused",
        rules(FAR.replace("ssh,", "ssh, until: 2026-11-30,"), DAILY),
        ("01 Dec 2026", "the default"),
        line="dsl",
        at="until: 2026-11-30",
    ),
    Way(
        "names of two devices exchanged",
        "management-refused",
        ONLY_SPARE
        | {
            "devices": """
  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
"""
        },
        ("bound",),
    ),
    Way(
        "standby line",
        "management-refused",
        rules(FAR.replace("let: bank", "let: dsl"), DAILY),
        ("comes in by mast", "the default", "not by mast"),
        line="mast",
        at="let: dsl",
    ),
    Way("another device in managed-from", "management-refused", ONLY_SPARE, ("the default",)),
    Way(
        "a digit too many in the hardware address",
        "management-refused",
        {"devices": DEVICES.replace("aa:00:01", "aa:00:11") % ""},
        ("bound",),
    ),
    Way(
        "sign-in for the area",
        "management-client-elsewhere",
        {
            "areas": AREAS.replace("home: {", "home: {sign-in: required, prefix: 10.8.0.0/24, ")
            % ("eth1", "", "eth2")
        },
        ("10.8.0.0/24",),
        at="prefix: 10.8.0.0/24",
    ),
    Way(
        "another port",
        "management-refused",
        {},
        ("tcp/2222",),
        changed={"server_port": 2222},
    ),
    Way(
        "address of the gateway that goes",
        "management-address-goes",
        {"lines": LINES.replace("203.0.113.10", "203.0.113.11")},
        ("203.0.113.10", "this session ends"),
        line="dsl",
        witness=False,
        at="dsl: {",
    ),
    Way(
        "hardware address that nobody knows",
        "management-hardware-unknown",
        {},
        ("only desk may come in",),
        changed={"hardware": None},
    ),
)


def session_for(way: Way) -> Session:
    start = at_desk(site()) if way.line is None else from_afar(way.line)
    return replace(start, **way.changed)  # type: ignore[arg-type]


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.title.replace(" ", "-"))
def test_a_way_to_lock_oneself_out_is_caught(way: Way) -> None:
    found = proven(site(**way.sections), session_for(way))
    assert not found.holds
    assert way.id in [one.id for one in found.findings], found.sentence
    told = " ".join(f"{one.message} {one.witness}" for one in found.findings)
    for words in way.says:
        assert words in told
    assert (found.connection is not None) is way.witness
    assert all(one.span.file == NAME and one.help for one in found.findings)
    line = charter(**{**OLD, **way.sections}).splitlines()[found.findings[0].span.line - 1]
    assert way.at in line and found.place == found.findings[0].span
    assert found.sentence.startswith(f"{NAME}:{found.findings[0].span.line}:")


@pytest.mark.parametrize("way", [w for w in WAYS if w.witness], ids=lambda w: w.title[:20])
def test_its_witness_is_refused(way: Way) -> None:
    plan, session = site(**way.sections), session_for(way)
    shown = proven(plan, session).connection
    assert shown is not None
    hardware = coding.HARDWARE_NONE
    if shown.hardware is not None:
        hardware = int(shown.hardware.replace(":", ""), 16)
    attempt = Attempt(
        shown.entrance,
        coding.address(session.client),
        hardware,
        coding.address(session.server),
        coding.service(coding.TCP, session.server_port)[0],
    )
    environment = Environment(frozenset(shown.lines_up), shown.who, shown.instant)
    assert not fate(plan, attempt, environment).let


def environments(plan: Plan) -> list[Environment]:
    names = [line.name for line in plan.lines]
    moments = [NOW + timedelta(hours=7 * n) for n in range(30)] + [NOW + timedelta(days=900)]
    states = [frozenset(n for n, up in zip(names, ups, strict=True) if up)
              for ups in product((False, True), repeat=len(names))]  # fmt: skip
    return [Environment(up, coding.NOBODY, at) for up in states for at in moments]


@pytest.mark.parametrize("line", [None, "dsl", "mast"])
def test_what_is_proven_is_so(line: str | None) -> None:
    plan = site()
    session = at_desk(plan) if line is None else from_afar(line)
    found = proven(plan, session)
    assert found.holds and not found.findings, found.sentence
    entrance = "home" if line is None else line
    assert found.entrances == (entrance,)
    attempt = Attempt(
        entrance,
        coding.address(session.client),
        DESK if line is None else coding.HARDWARE_NONE,
        coding.address(session.server),
        coding.service(coding.TCP, 22)[0],
    )
    for environment in environments(plan):
        if line is None or line in environment.lines:
            assert fate(plan, attempt, environment).let


def test_in_ipv6_too() -> None:
    plan = site()
    (desk,) = (one for one in plan.devices if one.name == "desk")
    (home,) = (one for one in plan.areas if one.name == "home")
    session = Session(desk.addresses6[0], 1, home.subnets6[0].gateway, 22, "eth1", DESK)
    assert proven(plan, session).holds
    assert not proven(plan, replace(session, hardware=SPARE)).holds
    near = replace(session, client=ip_address("fe80::1"))
    assert not proven(plan, near).holds  # link-local sources are forged, but for discovery


def test_the_device_need_not_be_known_but_then_it_is_assumed() -> None:
    plan = site()
    found = proven(plan, replace(at_desk(plan), device=None))
    assert found.holds and "home" in found.assumed[0]
    assert not proven(plan, at_desk(plan)).assumed
    far = proven(plan, replace(from_afar(), device=None))
    assert far.holds and far.entrances == ("dsl",)


def test_an_address_that_the_provider_gave_is_the_lines() -> None:
    automatic = LINES.replace(
        "mast: {device: eth9, address: 192.0.2.18/28, next-hop: 192.0.2.17,",
        "mast: {device: eth9, address: automatic,",
    )
    plan, session = site(lines=automatic), from_afar("mast")
    assert [one.id for one in proven(plan, session).findings] == ["management-address-goes"]
    known = prove_session(Prover(plan, NOW), session, {"mast": [session.server]})
    assert known.holds and "provider" in " ".join(known.assumed)


def test_between_old_and_new_what_is_not_proven_says_what_it_rests_on() -> None:
    plan = site()
    steps = proven(plan, at_desk(plan)).steps
    assert [one.proven for one in steps] == [True, False, True, False]
    known = prove_session(Prover(plan, NOW), at_desk(plan), tracked=True).steps
    assert [one.proven for one in known] == [True, False, True, True]
    gone = proven(site(areas=AREAS % ("eth1", ", prefix: 10.99.0.0/24", "eth2")), at_desk(plan))
    assert [one.proven for one in gone.steps] == [False, False, False, False]


def test_a_name_in_managed_from_that_is_none_is_no_charter() -> None:
    text = charter(site="{name: Hut, timezone: Europe/London, managed-from: [dsek]}")
    reading = read(text, NAME)
    assert reading.charter is None
    assert "desk" in " ".join(f"{one.message} {one.help}" for one in reading.diagnostics)


def test_at_the_console_every_device_of_managed_from_gets_in() -> None:
    found = prove_console(Prover(site(), NOW))
    assert found.holds and "desk and spare" in found.sentence
    barred = prove_console(Prover(site(devices=DEVICES % ", barred: true"), NOW))
    assert not barred.holds and barred.connection is not None
    assert [one.id for one in barred.findings] == ["management-refused"]
    nobody = prove_console(Prover(site(site="{name: Hut, timezone: Europe/London}"), NOW))
    assert nobody.holds and "only way in" in nobody.sentence


def test_the_shape() -> None:
    plan = site()
    shape = proven(plan, at_desk(plan)).as_json()
    assert shape["holds"] is True and shape["witness"] is None
    assert set(shape) == {
        "holds", "sentence", "span", "witness", "connection", "entrances", "assumed", "steps",
    }  # fmt: skip


# SSH_CONNECTION as ssh(1) describes it: client address, client port, server address, server port.
SAID = [
    ("10.1.2.3 50022 10.1.2.1 22", ("10.1.2.3", 50022, "10.1.2.1", 22, None)),
    ("2001:db8::5 50022 2001:db8::1 22", ("2001:db8::5", 50022, "2001:db8::1", 22, None)),
    ("fe80::5%eth2 1 fe80::1%eth2 22", ("fe80::5", 1, "fe80::1", 22, "eth2")),
    ("::ffff:10.1.2.3 1 ::ffff:10.1.2.1 22", ("10.1.2.3", 1, "10.1.2.1", 22, None)),
]


@pytest.mark.parametrize(("text", "parts"), SAID)
def test_what_the_environment_says(text: str, parts: tuple[object, ...]) -> None:
    found = session_of(text)
    assert found is not None
    client, server = str(found.client), str(found.server)
    assert (client, found.client_port, server, found.server_port, found.device) == parts


@pytest.mark.parametrize(
    "text",
    ["", "10.1.2.3 1 10.1.2.1", "10.1.2.3 0 10.1.2.1 22", "10.1.2.3 70000 10.1.2.1 22",
     "10.1.2.3 1 ::1 22", "a b c d", "10.1.2.3 ¹ 10.1.2.1 22", "10.1.2.3 1 10.1.2.1 22 x"],
)  # fmt: skip
def test_what_it_never_says(text: str) -> None:
    assert session_of(text) is None
