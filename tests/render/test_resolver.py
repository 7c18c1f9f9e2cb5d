"""What unbound is told: who may ask, whom it asks, what it knows; by unbound's own checker, and by
what it answers."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from ipaddress import ip_address, ip_network
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.render.placing import OURS
from netcharter.render.resolver import (
    AT,
    CONF,
    PRIVATE,
    ROOT_KEY,
    ROOT_SERVERS,
    UNIT,
    UNIT_FILE,
    Upstream,
    resolver,
    settings,
)
from tests.kernel.namespace import run
from tests.oracle.random_charters import random_charter

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], domain: hut.example}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9, prefix: "2001:db8:a::/48"}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
  yard: {device: eth4, prefix: 10.40.1.0/28}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
ENCRYPTED = (
    Upstream(ip_address("192.0.2.53"), "dns.example.net"),
    Upstream(ip_address("2001:db8::53"), "dns.example.net"),
)
RANDOM = 24


def planned(text: str = CHARTER) -> Plan:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def said(*asked: Upstream) -> list[str]:
    return [line.strip() for line in settings(planned(), asked).splitlines()]


def values(key: str) -> list[str]:
    return [x.removeprefix(f"{key}: ") for x in said() if x.startswith(f"{key}: ")]


def test_it_listens_inside_only_and_answers_the_areas() -> None:
    plan = planned()
    six = [area.subnets6[0].gateway for area in plan.areas]
    inner = ["10.40.0.1", str(six[0]), "10.40.1.1", str(six[1])]
    assert values("interface") == ["127.0.0.1", "::1", *inner]
    networks = [n for a in plan.areas for n in (a.v4, *(s.network for s in a.subnets6))]
    assert values("access-control") == [f"{network} allow" for network in networks]


def test_names_lead_to_addresses_and_back() -> None:
    plan = planned()
    (desk,) = plan.devices
    six = desk.addresses6[0]
    assert {
        'local-data: "desk.hut.example. 300 IN A 10.40.0.14"',
        f'local-data: "desk.hut.example. 300 IN AAAA {six}"',
        'local-data-ptr: "10.40.0.14 300 desk.hut.example"',
        f'local-data-ptr: "{six} 300 desk.hut.example"',
        'local-zone: "hut.example." transparent',
    } <= set(said())


def test_rfc6890_no_answer_from_outside_leads_inside() -> None:
    """Private, shared, loopback and link-local blocks of the IANA registries (RFC 1918, RFC 6598,
    RFC 4193 and others), by one address of each."""
    blocks = [ip_network(one) for one in PRIVATE]
    for one in ("10.1.2.3", "172.31.0.1", "192.168.1.1", "100.127.0.1", "127.0.0.1", "0.0.0.0",
                "169.254.1.1", "::1", "::", "fd00::1", "fc00::1", "fe80::1", "::ffff:10.0.0.1"):  # fmt: skip
        assert any(ip_address(one) in block for block in blocks), one
    for one in ("172.32.0.1", "100.128.0.1", "198.51.100.1", "2001:db8::1"):
        assert not any(ip_address(one) in block for block in blocks), one
    assert values("private-address") == [*PRIVATE]


def test_whom_to_ask_by_tls_or_in_the_clear() -> None:
    """RFC 7858 section 3.1: port 853; the certificate is checked for the name behind the `#`."""
    assert "forward-zone:" not in said()
    told = said(*ENCRYPTED)
    assert told[told.index("forward-zone:") + 1 :] == [
        'name: "."',
        "forward-tls-upstream: yes",
        'forward-addr: "192.0.2.53@853#dns.example.net"',
        'forward-addr: "2001:db8::53@853#dns.example.net"',
    ]
    assert any(line.startswith("tls-cert-bundle: ") for line in told)
    plain = said(Upstream(ip_address("192.0.2.53")))
    assert "forward-tls-upstream: no" in plain and "forward-addr: 192.0.2.53@53" in plain
    with pytest.raises(ValueError, match="all of them, or none"):
        said(*ENCRYPTED, Upstream(ip_address("192.0.2.53")))


def test_whom_the_charter_names_is_asked() -> None:
    """Beside one that is asked by TLS nobody is asked in the clear."""
    both = "resolvers: [93.184.218.53, {address: 93.184.218.54, tls: dns.example.net}]\n"
    told = render(planned(CHARTER + both)).files[CONF].decode()
    assert '"93.184.218.54@853#dns.example.net"' in told and "93.184.218.53" not in told
    plan = planned(CHARTER + "resolvers: [93.184.218.53, 10.99.0.1]\n")
    told = render(plan).files[CONF].decode()
    assert "forward-addr: 93.184.218.53@53" in told and "forward-tls-upstream: no" in told
    assert [(one.id, one.severity) for one in plan.notes] == [("resolver-not-reached", "error")]


def test_what_an_offer_is_known_as_leads_to_the_device() -> None:
    """Without a way back: the address is called as the device is."""
    offers = "offers: [{offer: https, on: copper, to: desk, as: shop.example}]\n"
    told = render(planned(CHARTER + offers)).files[CONF].decode()
    (desk,) = planned().devices
    assert 'local-data: "shop.example. 300 IN A 10.40.0.14"' in told
    assert f'local-data: "shop.example. 300 IN AAAA {desk.addresses6[0]}"' in told
    assert "local-data-ptr" in told and "300 shop.example" not in told


@pytest.mark.parametrize("text", ["a b", 'a"', "a\n", "a#b", "ä", "", "-x", "a@1", 'x"\nserver:'])
def test_what_is_no_name_reaches_no_file(text: str) -> None:
    with pytest.raises(ValueError, match="not a domain name"):
        said(Upstream(ip_address("192.0.2.53"), text))
    plan = planned()
    site = replace(plan.charter.site, domain=text)
    with pytest.raises(ValueError, match="not a domain name"):
        settings(replace(plan, charter=replace(plan.charter, site=site)))


def test_the_manifest_says_where_they_lie_and_what_runs() -> None:
    """Where the AppArmor profile of Debian's package lets the program read (`/etc/unbound/** r`)."""
    kit = render(planned())
    told = {one["at"]: one["file"] for one in kit.manifest["placed"]}
    assert told[AT] == CONF and told[f"/etc/systemd/system/{UNIT}"] == UNIT_FILE
    assert {"unit": UNIT, "files": [CONF, UNIT_FILE]} in kit.manifest["services"]
    assert all(kit.files[name].decode("ascii").startswith(OURS) for name in (CONF, UNIT_FILE))
    assert AT.startswith("/etc/unbound/")


def test_debian_s_own_unbound_is_set_aside_and_comes_back() -> None:
    unit = resolver(planned())[UNIT_FILE].splitlines()
    assert "ExecStartPre=-+/usr/bin/systemctl --runtime --now mask unbound.service" in unit
    assert "ExecStopPost=-+/usr/bin/systemctl --runtime unmask unbound.service" in unit


def test_the_unit_is_one_that_the_service_manager_takes(tmp_path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    text = resolver(planned())[UNIT_FILE]
    assert f" -c {AT}\n" in text and "User=unbound\n" in text
    if verify is None:
        pytest.skip("NO SERVICE MANAGER READ THE UNIT: systemd-analyze is not here")
    there = text.replace("/usr/sbin/unbound", shutil.which("true") or "/bin/true")
    (tmp_path / UNIT).write_text(there.replace("User=unbound", "User=nobody"))
    found = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(tmp_path / UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert found.returncode == 0, found.stderr


# --- unbound itself ------------------------------------------------------------------------------


def program(name: str) -> str:
    found = path_of(name)
    if found is None:
        pytest.skip(f"UNBOUND DID NOT READ ITS SETTINGS: no {name} is here (tools/setup demo)")
    return found


def here(text: str, folder: Path) -> str:
    """With files of root servers and keys that are there: any of their form."""
    (folder / "hints").write_text(". 3600000 NS a.root-servers.net.\n")
    # A digest of nothing; nobody is asked who would have to fit it.
    (folder / "key").write_text(f". IN DS 20326 8 2 {'00' * 32}\n")
    text = text.replace(ROOT_SERVERS, str(folder / "hints"))
    return text.replace(ROOT_KEY, str(folder / "key"))


@pytest.mark.kernel
def test_unbound_takes_every_kit(tmp_path: Path) -> None:
    """`unbound-checkconf` (1.17.1 of Debian 12) as the second opinion."""
    check, seen = program("unbound-checkconf"), 0
    for number in range(RANDOM):
        charter = read(random_charter(Random(number)), "random.yaml").charter
        assert charter is not None
        plan = make_plan(charter)
        for asked in ((), ENCRYPTED):
            (tmp_path / CONF).write_text(here(settings(plan, asked), tmp_path), "ascii")
            found = subprocess.run(
                [check, str(tmp_path / CONF)],
                capture_output=True, text=True, timeout=20, check=False,
            )  # fmt: skip
            assert found.returncode == 0, found.stderr
            seen += "local-data-ptr" in settings(plan, asked)
    assert seen > RANDOM / 2
    (tmp_path / CONF).write_text("server:\n    nonsense: yes\n")
    wrong = subprocess.run([check, str(tmp_path / CONF)], capture_output=True, check=False)
    assert wrong.returncode != 0


# Two hosts, whose areas they are known by; the lines lead nowhere.
SCENE = """
mount -t tmpfs none /run; mkdir -p /run/netns; ip link set dev lo up
host() { # name, device, the gateway's address and the host's, of both families
  ip netns add $1
  ip link add name $2 type veth peer name eth0 netns $1
  ip address add $3/28 dev $2; ip address add $5/64 dev $2 nodad; ip link set dev $2 up
  ip -n $1 address add $4/28 dev eth0; ip -n $1 address add $6/64 dev eth0 nodad
  ip -n $1 link set dev eth0 up
}
$UNBOUND -d -p -c $PWD/names.conf & unbound=$!
HOSTS
ip -n hall address add 10.9.9.9/32 dev eth0
ip route add 10.9.9.9 dev eth3
for each in hall yard; do ip netns exec $each $PYTHON ask.py < $each; done
kill $unbound; wait $unbound || :
"""
# Each line of what is to be asked: whom, the name, the kind and, where it matters, from where.
ASKS = """
import sys, time
from dns import message, query, rcode
for line in sys.stdin:
    server, name, kind, *source = line.split()
    end = time.monotonic() + 20.0
    while True:
        asked = message.make_query(name, kind)
        try:
            found = query.udp(asked, server, timeout=2.0, source=(source or [None])[0])
            break
        except Exception as fault:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
    told = sorted(str(one) for each in found.answer for one in each)
    print(line.strip() + ":", rcode.to_text(found.rcode()), *told)
"""
# Reverse zones that are answered here, each by the name of one address: RFC 6303 section 4.
NOWHERE = (
    "1.2.3.10.in-addr.arpa", "1.2.16.172.in-addr.arpa", "1.2.31.172.in-addr.arpa",
    "1.1.168.192.in-addr.arpa", "1.2.3.0.in-addr.arpa", "1.1.254.169.in-addr.arpa",
    "1.2.0.192.in-addr.arpa", "1.100.51.198.in-addr.arpa", "1.113.0.203.in-addr.arpa",
    "1.d.f.ip6.arpa", "1.8.e.f.ip6.arpa", "1.9.e.f.ip6.arpa", "1.a.e.f.ip6.arpa",
    "1.b.e.f.ip6.arpa", "1.8.b.d.0.1.0.0.2.ip6.arpa",
)  # fmt: skip


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What unbound answered, by who asked for what; asked with dnspython."""
    folder, plan = tmp_path_factory.mktemp("names"), planned()
    (folder / CONF).write_text(here(settings(plan), folder), "ascii")
    (folder / "ask.py").write_text(ASKS)
    six = [area.subnets6[0].gateway for area in plan.areas]
    hosts = [
        f"host {area.name} {area.device} {area.gateway4} {area.gateway4 + 1} {six} {six + 1}"
        for area, six in zip(plan.areas, six, strict=True)
    ]
    desk = plan.devices[0].addresses6[0].reverse_pointer
    asks = {
        "hall": [
            "10.40.0.1 gateway.hut.example A",
            "10.40.0.1 printer.local A",
            "10.40.0.1 _dns.resolver.arpa TYPE64",
            "10.40.0.1 lost.home.arpa A",
            "10.40.0.1 desk.hut.example A 10.9.9.9",
            *(f"10.40.0.1 {name} PTR" for name in NOWHERE),
        ],
        "yard": [
            "10.40.1.1 gateway.hut.example A",
            f"{six[1]} gateway.hut.example AAAA",
            "10.40.1.1 gateway.hut.example MX",
            "10.40.1.1 desk.hut.example A",
            "10.40.1.1 14.0.40.10.in-addr.arpa PTR",
            f"10.40.1.1 {desk} PTR",
        ],
    }
    for who, lines in asks.items():
        (folder / who).write_text("".join(f"{line}\n" for line in lines))
    begin = f"UNBOUND={program('unbound')}; PYTHON={sys.executable}\n"
    said = run(begin + SCENE.replace("HOSTS", "\n".join(hosts)), folder, private=True)
    told = (line.rpartition(": ") for line in said.splitlines())
    return {asked: found for asked, _, found in told}


@pytest.mark.kernel
def test_unbound_answers_what_the_plan_knows(answers: dict[str, str]) -> None:
    """The addresses come after unbound has begun; the gateway has another one in each area."""
    local = planned().areas[1].subnets6[0].gateway
    assert answers["10.40.0.1 gateway.hut.example A"] == "NOERROR 10.40.0.1"
    assert answers["10.40.1.1 gateway.hut.example A"] == "NOERROR 10.40.1.1"
    assert answers[f"{local} gateway.hut.example AAAA"] == f"NOERROR {local}"
    assert answers["10.40.1.1 gateway.hut.example MX"] == "NOERROR"
    assert answers["10.40.1.1 desk.hut.example A"] == "NOERROR 10.40.0.14"
    back = [found for asked, found in answers.items() if asked.endswith(".arpa PTR")]
    assert back.count("NOERROR desk.hut.example.") == 2


@pytest.mark.kernel
def test_who_is_of_no_area_is_refused(answers: dict[str, str]) -> None:
    assert answers["10.40.0.1 desk.hut.example A 10.9.9.9"] == "REFUSED"


@pytest.mark.kernel
def test_rfc6303_what_can_only_be_here_is_asked_of_nobody(answers: dict[str, str]) -> None:
    """Nobody outside can be asked in this scene: that would fail (SERVFAIL). RFC 6762 section 22.1 and
    RFC 8375 section 4 have names that are nowhere, RFC 9462 section 6.4 one that holds nothing."""
    for name in NOWHERE:
        assert answers[f"10.40.0.1 {name} PTR"] == "NXDOMAIN", name
    for name in ("printer.local", "lost.home.arpa"):
        assert answers[f"10.40.0.1 {name} A"] == "NXDOMAIN", name
    assert answers["10.40.0.1 _dns.resolver.arpa TYPE64"] == "NOERROR"
