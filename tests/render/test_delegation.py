"""What is asked of a provider, and what is written down of its answers: by the words of the kit, by
its script under hostile variables, and by dhclient itself against a real server.

Both programs are those of Debian 12 (isc-dhcp 4.4.3): RFC 8415 as others have written it.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import Kit, render
from netcharter.render.delegation import SCRIPT, command, delegation
from netcharter.render.placing import OURS
from netcharter.steward.learnt import Told, chosen
from netcharter.steward.learnt import read as told_in
from tests.kernel.namespace import run

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  fibre: {device: eth1, vlan: 35, address: automatic, prefix: delegated, role: standby}
areas:
  hall: {device: eth3, hosts: 5}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""


@pytest.fixture(scope="module")
def plan() -> Plan:
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter, stand_ins=False)


@pytest.fixture(scope="module")
def kit(plan: Plan) -> Kit:
    return render(plan)


def test_each_such_line_has_a_unit_and_all_share_a_script(kit: Kit) -> None:
    unit = kit.files["prefix-2.service"].decode()
    assert unit.startswith(OURS) and "prefix-1.service" not in kit.files
    assert kit.files[SCRIPT].decode().splitlines()[1].startswith(OURS)
    placed = {one["file"]: (one["at"], one["mode"]) for one in kit.manifest["placed"]}
    assert placed["prefix-2.service"] == (
        "/etc/systemd/system/netcharter-prefix-2.service",
        "0644",
    )
    assert placed[SCRIPT] == ("/etc/netcharter/prefix.sh", "0755")
    (service,) = [one for one in kit.manifest["services"] if "prefix" in one["unit"]]
    assert service == {
        "unit": "netcharter-prefix-2.service",
        "files": ["prefix-2.service", "prefix.sh"],
    }
    assert " -P " in unit and unit.rstrip().endswith("WantedBy=multi-user.target")
    assert "eth1.35\n" in unit


@pytest.mark.parametrize(("areas", "length"), [(1, 56), (255, 56), (256, 48)])
def test_rfc7084_wpd_2_the_hint_is_large_enough_for_every_area(areas: int, length: int) -> None:
    """One /64 each, rounded up to a nibble; the first /64 is no area's."""
    many = "".join(f"  a{n}: {{device: eth4, vlan: {n}, hosts: 3}}\n" for n in range(1, areas))
    charter = read(CHARTER.replace("devices:\n", f"{many}devices:\n"), "hut.yaml").charter
    assert charter is not None
    (text,) = [one for name, one in delegation(make_plan(charter)).items() if "service" in name]
    assert f"--prefix-len-hint {length} " in text and areas < 1 << 64 - length


def test_without_such_a_line_there_is_nothing_of_it() -> None:
    charter = read(CHARTER.replace(", prefix: delegated", ""), "hut.yaml").charter
    assert charter is not None
    assert not [name for name in render(make_plan(charter)).files if "prefix" in name]


# --- the script ----------------------------------------------------------------------------------

BOUND = {
    "reason": "BOUND6",
    "new_ip6_prefix": "2001:db8:7a00::/56",
    "new_preferred_life": "8",
    "new_max_life": "12",
    "new_life_starts": "100",
}
EXPIRED = {"reason": "EXPIRE6", "old_ip6_prefix": "2001:db8:7a00::/56"}


def called(folder: Path, kit: Kit, said: dict[str, str]) -> bytes:
    (folder / SCRIPT).write_bytes(kit.files[SCRIPT])
    ours = {
        "netcharter_line": "2",
        "netcharter_device": "eth1.35",
        "netcharter_folder": str(folder),
    }
    found = subprocess.run(
        ["sh", str(folder / SCRIPT)], env={**ours, **said}, capture_output=True, timeout=20,
        check=False, cwd=folder,
    )  # fmt: skip
    assert found.returncode == 0 and found.stderr == b""
    return (folder / "2").read_bytes() if (folder / "2").exists() else b""


def test_what_is_delegated_is_written_down_and_goes_when_it_is_over(
    tmp_path: Path, kit: Kit
) -> None:
    assert called(tmp_path, kit, BOUND) == b"2001:db8:7a00::/56 8 12 100 eth1.35\n"
    other = {**BOUND, "new_ip6_prefix": "2001:db8:7b00::/56", "new_life_starts": "103"}
    assert called(tmp_path, kit, other).count(b"\n") == 2
    renewed = {**BOUND, "reason": "RENEW6", "new_life_starts": "106"}
    assert called(tmp_path, kit, renewed).splitlines()[1] == (
        b"2001:db8:7a00::/56 8 12 106 eth1.35"
    )
    for reason in ("PREINIT6", "STOP6", "DEPREF6", "FAIL", ""):
        assert called(tmp_path, kit, {**EXPIRED, "reason": reason}).count(b"\n") == 2
    assert called(tmp_path, kit, EXPIRED) == b"2001:db8:7b00::/56 8 12 103 eth1.35\n"
    assert called(tmp_path, kit, {**other, "new_max_life": "0"}) == b""
    assert sorted(os.listdir(tmp_path)) == ["2", SCRIPT]


@pytest.mark.parametrize("key", ["new_ip6_prefix", "new_max_life", "new_life_starts", "reason"])
@pytest.mark.parametrize(
    "value",
    ["$(touch x)", "`touch x`", "; touch x", "2001:db8::/56\nX", "*", "-n", "", "%n%s", "\\", "'", '"',
     "\x1b[31m", "9" * 50, "../../x", "ä", "2001:db8:: /56"],
)  # fmt: skip
def test_nothing_of_others_reaches_a_shell_or_the_file(
    tmp_path: Path, kit: Kit, key: str, value: str
) -> None:
    called(tmp_path, kit, BOUND)
    assert called(tmp_path, kit, {**BOUND, key: value}) == b"2001:db8:7a00::/56 8 12 100 eth1.35\n"
    assert sorted(os.listdir(tmp_path)) == ["2", SCRIPT]


def test_a_provider_that_delegates_a_thousand_fills_no_disk(tmp_path: Path, kit: Kit) -> None:
    for number in range(12):
        found = called(tmp_path, kit, {**BOUND, "new_ip6_prefix": f"2001:db8:{number:x}00::/56"})
    assert found.count(b"\n") == 8 and b"2001:db8:b00::/56" in found


# --- the reader ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    ["", "x", "2001:db8::/56", "2001:db8::/56 8 12 100", "2001:db8::/56 8 12 100 eth0 more",
     "2001:db8::1/56 8 12 100 eth0", "10.0.0.0/8 8 12 100 eth0", "2001:db8::/129 8 12 100 eth0",
     "2001:db8::/56 -8 12 100 eth0", "2001:db8::/56 8 12 99999999999 eth0", "\x00" * 9,
     "2001:db8::/56 8 12 100 eth0; x", "2001:db8::/56 \u0661 12 100 eth0", " 2001:db8::/56 8 12 100 e",
     "2001:db8:::/56 8 12 100 eth0"],
)  # fmt: skip
def test_what_is_not_of_the_form_is_left_aside(line: str) -> None:
    good = "2001:db8:7a00::/56 8 12 100 eth0"
    assert len(told_in(f"{line}\n{good}\n".encode())) == 1
    assert told_in(b"\xff\xfe" + line.encode() + b"\n") == ()


def test_a_long_file_is_not_read_to_its_end() -> None:
    assert len(told_in(b"2001:db8::/56 8 12 100 eth0\n" * 100_000)) == 16


def told(text: str) -> tuple[Told, ...]:
    return told_in(text.encode())


def test_of_several_the_one_stays_that_the_newest_answer_still_prefers() -> None:
    both = told("2001:db8:a00::/56 9 12 100 eth0\n2001:db8:b00::/56 8 12 100 eth0\n")
    first, second = (one.prefix for one in both)
    assert chosen(both, "eth0", None) == first
    assert chosen(both, "eth0", second) == second
    assert chosen(both, "eth1", second) is None
    fading = told("2001:db8:a00::/56 0 12 100 eth0\n2001:db8:b00::/56 8 12 100 eth0\n")
    assert chosen(fading, "eth0", first) == second
    older = told("2001:db8:a00::/56 9 12 99 eth0\n2001:db8:b00::/56 8 12 100 eth0\n")
    assert chosen(older, "eth0", first) == second
    assert chosen((), "eth0", first) is None


# --- dhclient itself -----------------------------------------------------------------------------

UNPACKED = Path(__file__).parents[2] / ".venv" / "dhcp"  # by tools/setup
SERVER = """
default-lease-time 5; preferred-lifetime 4; option dhcp-renewal-time 1;
option dhcp-rebinding-time 2;
subnet6 2001:db8:f::/64 { prefix6 2001:db8:PREFIX:: 2001:db8:PREFIX:: /56; }
"""
SCENE = """
for key in default all; do echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; done
ip link set dev lo up
ip link add name eth1.35 type veth peer name isp
mount -t tmpfs none /run; mkdir -p /run/netns; ip netns add isp
ip link set dev isp netns isp
ip link set dev eth1.35 up; ip -n isp link set dev isp up
ip -n isp address add 2001:db8:f::1/64 dev isp nodad
mkdir learnt; : > server.leases
served() {
  : > server.leases
  ip netns exec isp $DHCPD -6 -d -cf $1 -lf server.leases -pf server.pid isp 2> server.log &
  server=$!
}
is() { # until the file says so; 12 seconds at most
  for _ in $(seq 120); do
    [ "$(cut -d' ' -f1,5 learnt/2 2>/dev/null)" != "$1" ] || { echo "$1"; return 0; }
    sleep 0.1
  done
  cat learnt/2 client.log server.log; return 1
}
served a.conf
$CLIENT 2> client.log > client.out & client=$!
is "2001:db8:7a00::/56 eth1.35"
renewed() {
  starts=$(cut -d' ' -f4 learnt/2)
  for _ in $(seq 60); do [ "$(cut -d' ' -f4 learnt/2)" = "$starts" ] || break; sleep 0.1; done
  [ "$(cut -d' ' -f4 learnt/2)" != "$starts" ] && echo renewed
}
renewed
kill $server; wait $server || :
served b.conf
is "2001:db8:7b00::/56 eth1.35"
kill $client; wait $client || :
$CLIENT 2>> client.log >> client.out & client=$!
renewed
cut -d' ' -f1 learnt/2
grep -q "Rebind message" server.log && grep -c "Release message" server.log || :
kill $server; wait $server || :
is ""
kill $client; wait $client || :
stat -c '%a %U' learnt/2; ls -A learnt
"""


@pytest.mark.kernel
def test_dhclient_and_a_server_renew_change_and_fall_silent(
    tmp_path: Path, plan: Plan, kit: Kit
) -> None:
    """RFC 8415 sections 18.2.4, 18.2.5 and 18.2.10.1: renewed; rebound to another server, which says
    that the old prefix is no more and gives another; and over when nobody answers in its time.
    RFC 9096 section 3.1: a client that is ended and begun anew gives nothing back."""
    here = shutil.which("dhclient") and shutil.which("dhcpd")
    if not here and not UNPACKED.exists():
        pytest.skip(
            "NO PREFIX WAS DELEGATED: no dhclient and dhcpd here (isc-dhcp-client, -server)"
        )
    for name, prefix in (("a", "7a00"), ("b", "7b00")):
        (tmp_path / f"{name}.conf").write_text(SERVER.replace("PREFIX", prefix))
    (tmp_path / SCRIPT).write_bytes(kit.files[SCRIPT])
    (tmp_path / SCRIPT).chmod(0o755)
    program, *rest = command(plan.lines[1], 56, str(tmp_path / "learnt"), str(tmp_path / SCRIPT))
    client = str(UNPACKED / "sbin/dhclient") if not here else program
    server = str(UNPACKED / "usr/sbin/dhcpd") if not here else "dhcpd"
    limits = ["setpriv", "--bounding-set", "-all,+net_bind_service,+net_raw", "--no-new-privs"]
    said = shlex.join([*limits, client, *rest])
    out = run(
        f"umask 077; CLIENT={shlex.quote(said)} DHCPD={server}\n{SCENE}", tmp_path, private=True
    )
    assert out.splitlines() == [
        "2001:db8:7a00::/56 eth1.35", "renewed", "2001:db8:7b00::/56 eth1.35",
        "renewed", "2001:db8:7b00::/56", "0", "", "600 root", "2", "2.leases",
    ]  # fmt: skip
