"""What is asked of a provider, and what is written down of its answers: by the words of the kit, by
its script under hostile variables, and by dhcpcd itself against a real server.

Both programs are those of Debian 12 (dhcpcd 9.4.1, ISC dhcpd 4.4.3): RFC 8415 as two others have
written it. The message that asks is read by Scapy.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from scapy.layers.dhcp6 import DHCP6_Solicit, DHCP6OptClientId, DHCP6OptIA_PD
from scapy.layers.inet6 import IPv6

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render import Kit, render
from netcharter.render.delegation import (
    ASKER,
    ASKER_AT,
    AT,
    FOLDER,
    SCRIPT,
    command,
    delegation,
)
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
        "files": ["prefix-2.service", "prefix-2.conf", "prefix.sh", "prefix-ask.sh"],
    }
    assert placed["prefix-2.conf"] == ("/etc/netcharter/prefix-2.conf", "0644")
    assert placed[ASKER] == (ASKER_AT, "0755")
    assert f"ExecStart={ASKER_AT} eth1.35 eth1.35 /etc/netcharter/prefix-2.conf\n" in unit
    assert "CAP_NET_ADMIN" not in unit and unit.rstrip().endswith("WantedBy=multi-user.target")
    said = kit.files["prefix-2.conf"].decode().splitlines()
    assert said[0].startswith(OURS) and "interface eth1.35" in said and "noconfigure" in said


def test_in_a_session_the_name_is_the_network_cards() -> None:
    """RFC 8415 section 11.4: of a link-layer address, and a PPP device has none."""
    dialled = CHARTER.replace("address: automatic", "pppoe: {as: site@isp.example}")
    charter = read(dialled, "hut.yaml").charter
    assert charter is not None
    plan = make_plan(charter)
    assert command(plan.lines[1]) == (ASKER_AT, "ppp2", "eth1.35", "/etc/netcharter/prefix-2.conf")
    assert "interface ppp2\n  ia_pd 2/::/56\n" in delegation(plan)["prefix-2.conf"]


@pytest.mark.parametrize(("areas", "length"), [(1, 56), (255, 56), (256, 48)])
def test_rfc7084_wpd_2_the_hint_is_large_enough_for_every_area(areas: int, length: int) -> None:
    """One /64 each, rounded up to a nibble; the first /64 is no area's."""
    many = "".join(f"  a{n}: {{device: eth4, vlan: {n}, hosts: 3}}\n" for n in range(1, areas))
    charter = read(CHARTER.replace("devices:\n", f"{many}devices:\n"), "hut.yaml").charter
    assert charter is not None
    (text,) = [one for name, one in delegation(make_plan(charter)).items() if "conf" in name]
    assert f"ia_pd 2/::/{length}\n" in text and areas < 1 << 64 - length


def test_without_such_a_line_there_is_nothing_of_it() -> None:
    charter = read(CHARTER.replace(", prefix: delegated", ""), "hut.yaml").charter
    assert charter is not None
    assert not [name for name in render(make_plan(charter)).files if "prefix" in name]


# --- the script ----------------------------------------------------------------------------------

PREFIX = "new_dhcp6_ia_pd1_prefix1"
BOUND = {
    "reason": "BOUND6",
    "ifcarrier": "up",
    PREFIX: "2001:db8:7a00::",
    f"{PREFIX}_length": "56",
    f"{PREFIX}_pltime": "8",
    f"{PREFIX}_vltime": "12",
}
EXPIRED = {"reason": "EXPIRE6", "ifcarrier": "up"}


def called(folder: Path, kit: Kit, said: dict[str, str]) -> list[str]:
    """The file's lines without their times."""
    (folder / SCRIPT).write_bytes(kit.files[SCRIPT])
    ours = {"netcharter_line": "2", "interface": "eth1.35", "netcharter_folder": str(folder)}
    found = subprocess.run(
        ["sh", str(folder / SCRIPT)], env={**ours, **said}, capture_output=True, timeout=20,
        check=False, cwd=folder,
    )  # fmt: skip
    assert found.returncode == 0 and found.stderr == b""
    text = (folder / "2").read_text() if (folder / "2").exists() else ""
    assert all(int(line.split(" ")[3]) > 1_700_000_000 for line in text.splitlines())
    return [" ".join((*line.split(" ")[:3], line.split(" ")[4])) for line in text.splitlines()]


FIRST = "2001:db8:7a00::/56 8 12 eth1.35"


def test_what_is_delegated_is_written_down_and_goes_when_it_is_over(
    tmp_path: Path, kit: Kit
) -> None:
    assert called(tmp_path, kit, BOUND) == [FIRST]
    second = "new_dhcp6_ia_pd1_prefix2"
    more = {second: "2001:db8:7b00::"} | {
        f"{second}{key}": value for key, value in (("_length", "60"), ("_pltime", "7"))
    }
    both = {**BOUND, **more, f"{second}_vltime": "9", "reason": "RENEW6"}
    assert called(tmp_path, kit, both) == [FIRST, "2001:db8:7b00::/60 7 9 eth1.35"]
    withdrawn = {**both, f"{PREFIX}_pltime": "0", f"{PREFIX}_vltime": "0", "reason": "REBIND6"}
    left = ["2001:db8:7b00::/60 7 9 eth1.35"]
    assert called(tmp_path, kit, withdrawn) == left
    for reason in ("PREINIT", "CARRIER", "NOCARRIER", "STOP6", "STOPPED", "DEPARTED", "FAIL", ""):
        assert called(tmp_path, kit, {**EXPIRED, "reason": reason}) == left
    assert called(tmp_path, kit, {**EXPIRED, "ifcarrier": "down"}) == left
    assert called(tmp_path, kit, EXPIRED) == []
    assert sorted(os.listdir(tmp_path)) == ["2", SCRIPT]


@pytest.mark.parametrize(
    "key", [PREFIX, f"{PREFIX}_length", f"{PREFIX}_pltime", f"{PREFIX}_vltime", "reason"]
)
@pytest.mark.parametrize(
    "value",
    ["$(touch x)", "`touch x`", "; touch x", "2001:db8::\nX", "*", "-n", "", "%n%s", "\\", "'", '"',
     "\x1b[31m", "9" * 50, "../../x", "ä", "2001:db8:: ", '"; touch x; "', "${PATH}"],
)  # fmt: skip
def test_nothing_of_others_reaches_a_shell_or_the_file(
    tmp_path: Path, kit: Kit, key: str, value: str
) -> None:
    called(tmp_path, kit, BOUND)
    assert called(tmp_path, kit, {**BOUND, f"{PREFIX}_vltime": "7", key: value}) == [FIRST]
    assert sorted(os.listdir(tmp_path)) == ["2", SCRIPT]


def test_a_provider_that_delegates_a_thousand_fills_no_disk(tmp_path: Path, kit: Kit) -> None:
    many = dict(BOUND)
    for n in range(1, 13):
        name = f"new_dhcp6_ia_pd1_prefix{n}"
        many |= {name: f"2001:db8:{n:x}00::", f"{name}_length": "56"}
        many |= {f"{name}_pltime": "8", f"{name}_vltime": "12"}
    assert [one.split(" ")[0] for one in called(tmp_path, kit, many)] == [
        f"2001:db8:{n}00::/56" for n in range(1, 9)
    ]


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


# --- dhcpcd itself -------------------------------------------------------------------------------

UNPACKED = Path(__file__).parents[2] / ".venv" / "dhcp" / "usr" / "sbin"  # by tools/setup
SERVER = """
default-lease-time 9; preferred-lifetime 7; option dhcp-renewal-time 1;
option dhcp-rebinding-time 2;
subnet6 2001:db8:f::/64 { prefix6 2001:db8:PREFIX:: 2001:db8:PREFIX:: /56; }
"""
# The client as Debian's package leaves it: with a user of its own and an empty folder for it.
BEGIN = """
for key in default all; do echo 0 > /proc/sys/net/ipv6/conf/$key/accept_dad; done
ip link set dev lo up
mount -t tmpfs none /run; mkdir -p /run/netns /run/dhcpcd; ip netns add isp
mount -t tmpfs none /var/lib; mkdir /var/lib/dhcpcd
if [ "$(id -u)" = 0 ] && [ -n "$USER_LINE" ] && ! grep -q ^dhcpcd: /etc/passwd; then
  mkdir empty; { echo "$USER_LINE"; cat /etc/passwd; } > passwd; mount --bind passwd /etc/passwd
fi
mkdir learnt; : > server.leases
served() {
  : > server.leases
  ip netns exec isp $DHCPD -6 -d -cf $1 -lf server.leases -pf server.pid isp 2>> server.log &
  server=$!
}
is() { # until the file says so; 20 seconds at most
  for _ in $(seq 200); do
    [ "$(cut -d' ' -f1,5 learnt/2 2>/dev/null)" != "$1" ] || { echo "$1"; return 0; }
    sleep 0.1
  done
  cat learnt/2 client.log server.log; return 1
}
renewed() {
  starts=$(cut -d' ' -f4 learnt/2)
  for _ in $(seq 60); do [ "$(cut -d' ' -f4 learnt/2)" = "$starts" ] || break; sleep 0.1; done
  [ "$(cut -d' ' -f4 learnt/2)" != "$starts" ] && echo renewed
}
looked() { for f in /proc/sys/net/ipv6/conf/$DEVICE/*; do cat $f 2>/dev/null || :; done; ip -6 route show table all; ip -6 address; }
begun() { "$@" >> client.log 2>&1 & client=$!; }
# A signal can be lost on the client, which hands work to helpers of its own (seen with 9.4.1); the
# service manager then kills it, as is done here.
ended() {
  kill $client; { sleep 10; kill $client; sleep 10; kill -9 $client; } > /dev/null 2>&1 & late=$!
  wait $client || :; kill $late
}
trap 'kill $(jobs -p) 2>/dev/null || :' EXIT
"""
CABLE = """
ip link add name eth1.35 type veth peer name isp
ip link set dev isp netns isp
ip link set dev eth1.35 up; ip -n isp link set dev isp up
ip -n isp address add 2001:db8:f::1/64 dev isp nodad
"""
# As pppd leaves it: of type 512, without a hardware address, its own address agreed on (RFC 5072).
SESSION = """
ip link add name eth1.35 type veth peer name other
$PYTHON -m tests.render.session ppp2 isp asked > ready & joined=$!
for _ in $(seq 100); do grep -q ready ready && break; sleep 0.1; done
ip link set dev isp netns isp; ip -n isp link set dev isp up
ip -n isp address add 2001:db8:f::1/64 dev isp nodad
ip -n isp -6 neigh add fe80::a lladdr 02:00:00:00:00:09 dev isp nud permanent
ip link set dev ppp2 mtu 1492 up; ip -6 address add fe80::a peer fe80::b dev ppp2 nodad
ip -o link show dev ppp2 | grep -o 'link/[a-z]*'
"""
STORY = """
looked > before; served a.conf
begun $CLIENT; is "2001:db8:7a00::/56 $DEVICE"; renewed
kill $server; wait $server || :
served b.conf; is "2001:db8:7b00::/56 $DEVICE"
ended; begun $CLIENT; renewed
cut -d' ' -f1 learnt/2
grep -q "Rebind message" server.log && grep -c "Release message" server.log || :
looked | diff before - && echo untouched
"""
SILENT = """
kill $server; wait $server || :
is ""
ended; stat -c '%a %U' learnt/2; ls -A learnt
"""
OVER = """
kill $joined; wait $joined || :
wait $client || :
cut -d' ' -f1,5 learnt/2
kill $server; wait $server || :
"""
TOLD = ["renewed", "2001:db8:7b00::/56", "0", "untouched"]


def observed(folder: Path, kit: Kit, line: LinePlan, scene: str) -> list[str]:
    """What a scene prints. The files are the kit's, and the client may do what the unit lets it."""
    here = shutil.which("dhcpcd") and shutil.which("dhcpd")
    if not here and not (UNPACKED / "dhcpcd").exists():
        pytest.skip("NO PREFIX WAS DELEGATED: no dhcpcd and dhcpd here (tools/setup test)")
    for name, prefix in (("a", "7a00"), ("b", "7b00")):
        (folder / f"{name}.conf").write_text(SERVER.replace("PREFIX", prefix))
    for name in (SCRIPT, ASKER, "prefix-2.conf"):
        text = kit.files[name].decode().replace(AT, str(folder / SCRIPT))
        text = text.replace(FOLDER, str(folder / "learnt"))
        (folder / name).write_text(text.replace("PATH=/usr", f"PATH={UNPACKED}:/usr"))
        (folder / name).chmod(0o755)
    unit = kit.files["prefix-2.service"].decode()
    (powers,) = re.findall(r"^CapabilityBoundingSet=(.*)$", unit, re.MULTILINE)
    bounds = ",".join(f"+{one.removeprefix('CAP_').lower()}" for one in powers.split())
    limits = ["setpriv", "--bounding-set", f"-all,{bounds}", "--no-new-privs"]
    _, device, ethernet, _ = command(line)
    client = [*limits, str(folder / ASKER), device, ethernet, str(folder / "prefix-2.conf")]
    own = f"dhcpcd:x:64900:65534::{folder}/empty:/bin/false" if os.geteuid() == 0 else ""
    said = {
        "CLIENT": shlex.join(client), "DEVICE": device, "USER_LINE": own,
        "DHCPD": shutil.which("dhcpd") or str(UNPACKED / "dhcpd"),
        "PYTHON": f"env PYTHONPATH={Path(__file__).parents[2]} {sys.executable}",
    }  # fmt: skip
    words = " ".join(f"{name}={shlex.quote(value)}" for name, value in said.items())
    return run(f"umask 077; {words}\n{BEGIN}{scene}", folder, private=True).splitlines()


@pytest.mark.kernel
def test_a_client_and_a_server_renew_change_and_fall_silent(
    tmp_path: Path, plan: Plan, kit: Kit
) -> None:
    """RFC 8415 sections 18.2.4, 18.2.5 and 18.2.10.1: renewed; rebound to another server, which says
    that the old prefix is no more and gives another; and over when nobody answers in its time.
    RFC 9096 section 3.1: a client that is ended and begun anew gives nothing back."""
    assert observed(tmp_path, kit, plan.lines[1], CABLE + STORY + SILENT) == [
        "2001:db8:7a00::/56 eth1.35", "renewed", "2001:db8:7b00::/56 eth1.35", *TOLD,
        "", "600 root", "2",
    ]  # fmt: skip


@pytest.mark.kernel
def test_over_a_session_too_which_takes_nothing_along_when_it_ends(tmp_path: Path) -> None:
    """RFC 8415 section 11.4 for the name, sections 18.2.1 and 21.22 for what is asked."""
    charter = read(CHARTER.replace("address: automatic", "pppoe: {as: x}"), "hut.yaml").charter
    assert charter is not None
    plan = make_plan(charter, stand_ins=False)
    assert observed(tmp_path, render(plan), plan.lines[1], SESSION + STORY + OVER) == [
        "link/ppp", "2001:db8:7a00::/56 ppp2", "renewed", "2001:db8:7b00::/56 ppp2", *TOLD,
        "2001:db8:7b00::/56 ppp2",
    ]  # fmt: skip
    asked = IPv6(bytes.fromhex((tmp_path / "asked").read_text().split()[0]))
    assert (asked.src, asked.dst, asked.hlim > 0) == ("fe80::a", "ff02::1:2", True)
    assert asked[DHCP6OptClientId].duid.type == 3 and asked[DHCP6OptClientId].duid.hwtype == 1
    pd = asked[DHCP6OptIA_PD]
    assert pd.iaid == 2 and [(one.prefix, one.plen) for one in pd.iapdopt] == [("::", 56)]
    codes = []
    option = asked[DHCP6_Solicit].payload
    while option:
        codes.append(option.optcode)
        option = option.payload
    assert set(codes) == {1, 6, 8, 25}  # nothing of the machine: no name, no program
