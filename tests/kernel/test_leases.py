"""What real clients get of the kit's dnsmasq: Debian's dhcpcd (9.4.1), as somebody else reads RFC 2131,
RFC 8415 and RFC 8106. One scene, played once."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render.advertising import CONF, advertising
from netcharter.render.lending import LEASES
from tests.kernel.namespace import run

pytestmark = pytest.mark.kernel

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], domain: hut.example}
lines:
  copper: {device: eth0, address: [203.0.113.10/29, "2001:db8:f::2/64"], next-hop: [203.0.113.9, "2001:db8:f::1"], prefix: "2001:db8:a::/48"}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28, lease: 90 min}
  yard: {device: eth4, prefix: 10.40.1.0/28, strangers: refused}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
  lamp: {area: yard, hardware: 02:00:00:aa:00:02}
  walker: {area: hall, hardware: 02:00:00:aa:00:03, address: lasting, roams: true}
  thief: {area: hall, hardware: 02:00:00:aa:00:04, barred: true}
"""
UNPACKED = Path(__file__).parents[2] / ".venv" / "dhcp" / "usr" / "sbin"  # by tools/setup
# Where each client hangs, and its hardware address.
WHO = {
    "desk": ("eth3", "02:00:00:aa:00:01"),
    "guest": ("eth3", "02:00:00:f0:00:01"),
    "thief": ("eth3", "02:00:00:aa:00:04"),
    "lamp": ("eth4", "02:00:00:aa:00:02"),
    "walker": ("eth4", "02:00:00:aa:00:03"),
    "stranger": ("eth4", "02:00:00:f0:00:02"),
}
CLIENT = """\
script {folder}/told.sh
noarp
nodelay
slaac hwaddr
option domain_name_servers, domain_name, domain_search, routers, ntp_servers
option dhcp6_name_servers, dhcp6_domain_search
"""
# What dhcpcd tells its script (dhcpcd-run-hooks(8)), one after the other.
TOLD = """\
#!/bin/sh
{ echo "reason=$reason"; env | grep -E '^(new|nd1)_'; } >> $told
"""
BEGIN = """
for key in default all; do
  echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; echo 1 > /proc/sys/net/ipv6/conf/$key/forwarding
done
for key in /proc/sys/net/bridge/bridge-nf-call-*; do echo 0 > $key; done
mount -t tmpfs none /run; mkdir -p /run/netns; ip link set dev lo up
area() { # device, addresses
  ip link add name br$1 type bridge; ip link set dev br$1 up
  ip link add name $1 type veth peer name p$1; ip link set dev p$1 master br$1 up
  ip link set dev $1 up
  device=$1; shift
  for address in $@; do ip address add $address dev $device; done
}
client() { # name, device, hardware
  ip netns add $1
  ip link add name h$1 type veth peer name eth0 netns $1; ip link set dev h$1 master br$2 up
  ip netns exec $1 sh -c 'for k in default all eth0; do echo 0 > /proc/sys/net/ipv6/conf/$k/accept_dad; done'
  ip -n $1 link set dev eth0 address $3; ip -n $1 link set dev eth0 up
  own="mount -t tmpfs none /run; mkdir /run/dhcpcd; mount -t tmpfs none /var/lib; mkdir /var/lib/dhcpcd"
  asks="$DHCPCD --nobackground --config $PWD/client.conf --env told=$PWD/$1 eth0"
  ip netns exec $1 unshare -m sh -c "$own; exec $asks" >> clients.log 2>&1 &
  clients="$clients $!"
}
served() {
  $DNSMASQ --keep-in-foreground --user=root --group= --pid-file= --log-facility=- --no-ping \\
    --conf-file=$1 2>> server.log &
  server=$!
}
until_told() { # file, word
  for _ in $(seq 200); do ! grep -q "$2" $1 2>/dev/null || return 0; sleep 0.1; done
  echo "$1 was never told $2" >&2; tail -n 20 clients.log server.log >&2; return 1
}
clients=
"""
# For the last client the renewal time is two seconds, so that it renews here.
STORY = """
until_told desk BOUND6; until_told lamp INFORM6; until_told walker INFORM6
for each in desk guest lamp walker; do until_told $each 'reason=BOUND$'; done
until_told server.log 'f0:00:02 ignored'
until_told server.log 'aa:00:04 ignored'
kill $server; wait $server || :
cp leases kept
{ cat gateway.conf; echo dhcp-option=option:T1,2; echo dhcp-option=option:T2,4; } > quick.conf
served quick.conf
client late eth3 02:00:00:f0:00:09
until_told late RENEW; cp leases leases.after
kill $server $clients; wait || :
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory, plan: Plan) -> Path:
    """The folder of a scene that was played."""
    folder = tmp_path_factory.mktemp("scene")
    dhcpcd, dnsmasq = shutil.which("dhcpcd") or str(UNPACKED / "dhcpcd"), path_of("dnsmasq")
    if dnsmasq is None or not os.path.exists(dhcpcd):
        pytest.skip("NOBODY ASKED FOR AN ADDRESS: no dnsmasq and dhcpcd here (tools/setup test)")
    conf = advertising(plan)[CONF].replace(LEASES, str(folder / "leases"))
    (folder / "gateway.conf").write_text(conf, "ascii")
    (folder / "client.conf").write_text(CLIENT.format(folder=folder), "ascii")
    (folder / "told.sh").write_text(TOLD, "ascii")
    (folder / "told.sh").chmod(0o755)
    areas = [
        " ".join(
            ("area", area.device, f"{area.gateway4}/{area.v4.prefixlen}")
            + tuple(f"{subnet.gateway}/64" for subnet in area.subnets6)
        )
        for area in plan.areas
    ]
    clients = [f"client {name} {' '.join(where)}" for name, where in WHO.items()]
    begin = f"DHCPCD={dhcpcd}; DNSMASQ={dnsmasq}\n{BEGIN}"
    parts = (begin, *areas, "served gateway.conf", *clients, STORY)
    run("\n".join(parts), folder, private=True)
    return folder


def told(scene: Path, who: str) -> Mapping[str, str]:
    """Everything that a client was told, by the name that dhcpcd gives it."""
    path = scene / who
    lines = path.read_text().splitlines() if path.exists() else []
    return dict(line.split("=", 1) for line in lines if "=" in line)


def reasons(scene: Path, who: str) -> set[str]:
    lines = (scene / who).read_text().splitlines()
    return {line.removeprefix("reason=") for line in lines if line.startswith("reason=")}


def test_rfc2131_3_1_a_guest_gets_an_address_of_the_pool_and_all_it_has_to_know(
    scene: Path,
) -> None:
    found = told(scene, "guest")
    assert found["new_ip_address"].startswith("10.40.0.") and found["new_subnet_cidr"] == "28"
    assert found["new_ip_address"] not in ("10.40.0.1", "10.40.0.14", "10.40.0.13")
    assert found["new_routers"] == found["new_domain_name_servers"] == "10.40.0.1"
    assert found["new_domain_name"] == found["new_domain_search"] == "hut.example"


def test_rfc2131_4_4_5_t1_is_half_of_the_lease_and_t2_seven_eighths(scene: Path) -> None:
    found = told(scene, "guest")
    assert found["new_dhcp_lease_time"] == "5400"
    assert (found["new_dhcp_renewal_time"], found["new_dhcp_rebinding_time"]) == ("2700", "4725")
    assert told(scene, "lamp")["new_dhcp_lease_time"] == "43200"


def test_rfc2131_4_3_2_a_client_renews_at_t1_and_keeps_its_address(scene: Path) -> None:
    lines = (scene / "late").read_text().splitlines()
    addresses = {line for line in lines if line.startswith("new_ip_address")}
    assert {"reason=BOUND", "reason=RENEW"} <= set(lines) and len(addresses) == 1


def test_rfc8415_a_lasting_device_gets_its_addresses_of_both_families(
    scene: Path, plan: Plan
) -> None:
    found = told(scene, "desk")
    (desk,) = (device for device in plan.devices if device.name == "desk")
    assert [found["new_ip_address"]] == [str(a) for a in desk.addresses4]
    given = {value for name, value in found.items() if "ia_na1_ia_addr" in name and ":" in value}
    assert given == {str(a) for a in desk.addresses6} and len(given) == 2


def test_rfc8415_6_1_others_are_told_the_rest_by_dhcpv6(scene: Path, plan: Plan) -> None:
    found = told(scene, "lamp")
    local = plan.areas[1].subnets6[0].gateway
    assert found["new_dhcp6_name_servers"] == found["nd1_rdnss1_servers"] == str(local)
    assert found["new_dhcp6_domain_search"] == found["nd1_dnssl1_search"] == "hut.example"
    assert not [name for name in found if "ia_na" in name]


def test_who_roams_gets_an_address_of_where_it_is(scene: Path) -> None:
    """In an area that refuses strangers, and with a lasting address elsewhere."""
    assert told(scene, "walker")["new_ip_address"].startswith("10.40.1.")


def test_who_is_barred_and_who_is_a_stranger_get_nothing(scene: Path) -> None:
    for who in ("thief", "stranger"):
        assert not {"BOUND", "BOUND6", "INFORM6"} & reasons(scene, who)
        assert "new_ip_address" not in told(scene, who)


def test_what_is_lent_outlives_the_server(scene: Path) -> None:
    """It was begun anew with other settings, as when a kit is exchanged."""
    before, after = ((scene / name).read_text().split() for name in ("kept", "leases.after"))
    lent = [told(scene, who)["new_ip_address"] for who in ("desk", "guest", "lamp", "walker")]
    assert set(lent) <= set(before) & set(after)
    assert told(scene, "late")["new_ip_address"] not in lent
