"""What pppd is told of a line that is dialled: by its words, and by pppd itself where it is.

No kernel with PPP is asked here, and nobody answers a call: pppd reads its options and says what it
took them for (`dryrun`), and the hook is run on a device that has the name of a session's.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import Kit, render
from netcharter.render.dialling import HOOK
from netcharter.render.escape import ppp_word
from netcharter.render.placing import OURS
from tests.kernel.namespace import run

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  "fibre": {device: eth1, vlan: 35, pppoe: {as: USER}, role: balanced}
  mast: {device: eth2, pppoe: {as: mast@isp.example}, mtu: 1480}
areas:
  hall: {device: eth3, hosts: 5}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
HOSTILE = (
    'a"\\nup',
    "a\\",
    '"',
    "a#b",
    "'x'",
    "$(id)",
    "`id`",
    "100%",
    "\\\\",
    "@/etc/shadow",
    "~!^&*",
)


def plan_of(user: str = "site@isp.example") -> Plan:
    charter = read(CHARTER.replace("USER", json.dumps(user)), "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture(scope="module")
def kit() -> Kit:
    return render(plan_of())


def options(kit: Kit, name: str) -> list[str]:
    text = kit.files[name].decode("ascii")
    return [line for line in text.splitlines() if not line.startswith("#")]


def test_a_session_is_dialled_on_the_tagged_device_and_has_its_line_s_number(kit: Kit) -> None:
    found = options(kit, "ppp2.peer")
    assert {"plugin pppoe.so", "nic-eth1.35", "ifname ppp2", 'user "site@isp.example"'} <= set(
        found
    )
    assert "ipparam netcharter-102" in found
    assert "nic-eth2" in options(kit, "ppp3.peer")


def test_no_packet_is_larger_than_a_frame_less_eight_bytes(kit: Kit) -> None:
    """RFC 2516 section 7: 1492 at most; and what it says must not be asked for, or is of no use."""
    assert {"mtu 1492", "mru 1492", "noaccomp", "nopcomp", "default-asyncmap"} <= set(
        options(kit, "ppp2.peer")
    )
    assert {"mtu 1480", "mru 1480"} <= set(options(kit, "ppp3.peer"))
    assert "mtu" not in kit.files["links.batch"].decode()  # pppd sets it


def test_it_is_begun_again_for_ever_and_takes_no_default_route_of_its_own(kit: Kit) -> None:
    found = set(options(kit, "ppp2.peer"))
    assert {"persist", "maxfail 0", "nodefaultroute", "nodefaultroute6", "noipdefault"} <= found
    assert {"lcp-echo-interval 10", "lcp-echo-failure 3", "+ipv6", "noauth"} <= found


def test_nothing_in_a_kit_is_or_asks_for_a_password(kit: Kit) -> None:
    for name, data in kit.files.items():
        words = data.decode("ascii").lower().replace("hide-password", "")
        assert "password" not in words and "secret" not in words.replace("no secret", ""), name


def test_the_manifest_says_where_each_of_them_is_to_lie_and_loads_none(kit: Kit) -> None:
    told = {
        one["at"]: (one["file"], one["mode"])
        for one in kit.manifest["placed"]
        if "ppp" in one["file"]
    }
    assert told == {
        "/etc/ppp/peers/netcharter-ppp2": ("ppp2.peer", "0644"),
        "/etc/ppp/peers/netcharter-ppp3": ("ppp3.peer", "0644"),
        "/etc/systemd/system/netcharter-ppp2.service": ("ppp2.service", "0644"),
        "/etc/systemd/system/netcharter-ppp3.service": ("ppp3.service", "0644"),
        "/etc/ppp/ip-up.d/netcharter": (HOOK, "0755"),
        "/etc/ppp/ipv6-up.d/netcharter": (HOOK, "0755"),
    }
    loaded = {step["file"] for step in kit.manifest["order"]}
    assert not loaded & {file for file, _ in told.values()}


def test_the_manifest_says_which_services_run_and_what_begins_them_anew(kit: Kit) -> None:
    files = {one["file"] for one in kit.manifest["placed"]}
    assert [one for one in kit.manifest["services"] if "ppp" in one["unit"]] == [
        {"unit": f"netcharter-{device}.service",
         "files": [f"{device}.peer", f"{device}.service", HOOK]}
        for device in ("ppp2", "ppp3")
    ]  # fmt: skip
    assert all(files >= set(one["files"]) for one in kit.manifest["services"])


def test_every_placed_file_says_in_its_first_lines_that_it_is_ours(kit: Kit) -> None:
    """Only such are written over, and taken away."""
    for one in kit.manifest["placed"]:
        first, second, *_ = kit.files[one["file"]].decode("ascii").splitlines()
        assert (second if first.startswith("#!") else first).startswith(OURS), one


def test_the_routes_of_a_session_are_looked_for_where_its_hook_puts_them(kit: Kit) -> None:
    for name in ("routes.batch", "routes6.batch"):
        text = kit.files[name].decode()
        assert "lookup 102" in text and "lookup 103" in text
    vlan = kit.files["links.batch"].decode()
    assert "link add link eth1 name eth1.35 type vlan id 35\n" in vlan and "ppp" not in vlan


def test_settings_of_a_device_that_may_be_away_hold_nothing_up(kit: Kit) -> None:
    lines = kit.files["sysctl.conf"].decode().splitlines()
    about = [line for line in lines if "/ppp2/" in line]
    assert len(about) > 10 and all(line.startswith("-net/") for line in about)
    assert "-net/ipv6/conf/ppp2/accept_ra = 2" in about


@pytest.mark.parametrize("bad", ["", "a b", "a\nb", "a\tb", "é", "a\x00"])
def test_what_pppd_can_not_take_as_a_word_is_refused(bad: str) -> None:
    with pytest.raises(ValueError):
        ppp_word(bad)


@pytest.mark.parametrize("user", HOSTILE)
def test_a_user_name_stays_one_word(user: str) -> None:
    """pppd(8): a word in quotes; a backslash quotes what follows. Read by those two sentences."""
    (line,) = [o for o in options(render(plan_of(user)), "ppp2.peer") if o.startswith("user ")]
    text, word, place = line.removeprefix("user "), "", 1
    assert text[0] == '"'
    while text[place] != '"':
        place += text[place] == "\\"
        word += text[place]
        place += 1
    assert word == user and place == len(text) - 1


# --- pppd itself ---------------------------------------------------------------------------------

UNPACKED = Path(__file__).parents[2] / ".venv" / "pppd"  # by tools/setup, where it is not installed
PARTS = ("usr/lib", "usr/sbin", "etc")
OVER = "mount -t overlay none -o lowerdir={0}:{1} {1}\n"  # for this test's own look at the files
DRY = """
mount -t tmpfs none /dev
for one in null:3 zero:5 urandom:9 ppp:3; do mknod /dev/${one%:*} c 1 ${one#*:}; done
mount -t tmpfs none /run
ip link add name eth1.35 type veth peer name eth2
for name in ppp2 ppp3; do pppd file "$PWD/$name.peer" dryrun nodetach; done
"""


@pytest.mark.kernel
@pytest.mark.parametrize("user", ["site@isp.example", *HOSTILE])
def test_pppd_takes_it_as_it_is_meant(user: str, tmp_path: Path) -> None:
    """pppd's own reading, as the second opinion: of the package `ppp` of Debian 12 (2.4.9)."""
    here = shutil.which("pppd") is not None
    if not here and not UNPACKED.exists():
        pytest.skip("PPPD DID NOT READ ITS OPTIONS: it is not here (Debian's package ppp)")
    found = render(plan_of(user))
    for name in ("ppp2.peer", "ppp3.peer"):
        (tmp_path / name).write_bytes(found.files[name])
    over = "" if here else "".join(OVER.format(UNPACKED / part, f"/{part}") for part in PARTS)
    script = f"cd {tmp_path}\n{over}{DRY}"
    seen = subprocess.run(
        ["unshare", "-nm", "sh", "-eu", "-c", script], capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert seen.returncode == 0, seen.stdout + seen.stderr
    first, second = seen.stdout.split("pppd options in effect:")[1:]
    told = [line.split("\t")[0] for line in first.splitlines()]
    (name,) = [re.sub(r"\\(.)", r"\1", one) for one in told if one.startswith("user ")]
    assert name == f"user {user}"  # it prints a backslash before quotes and backslashes
    wanted = "ifname ppp2,mtu 1492,mru 1492,persist,maxfail 0,ipparam netcharter-102,eth1.35,+ipv6"
    assert set(wanted.split(",")) <= set(told)
    assert {"eth2", "ifname ppp3", "mtu 1480"} <= {
        line.split("\t")[0] for line in second.splitlines()
    }


# --- the hook ------------------------------------------------------------------------------------

CALLED = """
ip link set dev lo up
ip link add name ppp2 type veth peer name other
ip link set dev ppp2 up; ip link set dev other up
called() { # interface, address, parameter
  env PPP_IFACE="$1" PPP_LOCAL="$2" PPP_IPPARAM="$3" sh ppp-up.sh "$1" "" 0 "$2" "" "$3"
}
for time in once again; do
  called ppp2 198.51.100.7 netcharter-102
  called ppp2 fe80::7 netcharter-102
done
called ppp2 198.51.100.7 netcharter-1020
called ppp2 198.51.100.7 "netcharter-103; ip link del ppp2"
called ppp2 198.51.100.7 ""
called "ppp2 table 9" 198.51.100.7 netcharter-103
called other 198.51.100.7 netcharter-104
echo routes; ip -4 route show table all default; ip -6 route show table all default
cat /proc/sys/net/ipv6/conf/ppp2/accept_ra /proc/sys/net/ipv6/conf/ppp2/accept_ra_defrtr
"""


@pytest.mark.kernel
def test_the_hook_puts_the_way_out_into_the_line_s_table_and_minds_its_own(
    kit: Kit, tmp_path: Path
) -> None:
    (tmp_path / HOOK).write_bytes(kit.files[HOOK])
    out = run(CALLED, tmp_path).partition("routes\n")[2].splitlines()
    assert [line.split() for line in out] == [
        "default dev ppp2 table 102 proto static scope link".split(),
        "default dev ppp2 table 102 proto static metric 1024 pref medium".split(),
        ["2"],
        ["0"],
    ]


SETTLED = """
sed -i 's/^-//' sysctl.conf
grep -E '^net/ipv[46]/conf/(all|default)/' sysctl.conf > coming.conf
grep -E '^net/ipv[46]/conf/ppp2/' sysctl.conf > own.conf
sysctl -q -p coming.conf
ip link add name ppp2 type veth peer name other
ip link set dev ppp2 up; ip link set dev other up
PPP_IFACE=ppp2 PPP_LOCAL=198.51.100.7 PPP_IPPARAM=netcharter-102 sh ppp-up.sh
while read -r key _ value; do echo "$key = $(cat /proc/sys/$key)"; done < own.conf > found.conf
"""


@pytest.mark.kernel
def test_a_session_that_comes_up_has_every_setting_of_the_kit(kit: Kit, tmp_path: Path) -> None:
    """Without IPv6CP too. Else what is in place would differ from the plan once somebody dials."""
    for name in (HOOK, "sysctl.conf"):
        (tmp_path / name).write_bytes(kit.files[name])
    run(SETTLED, tmp_path)
    wanted, found = ((tmp_path / name).read_text("ascii") for name in ("own.conf", "found.conf"))
    assert len(wanted.splitlines()) > 10 and found == wanted


def test_the_hook_is_a_script_that_a_plain_shell_takes(kit: Kit, tmp_path: Path) -> None:
    (tmp_path / HOOK).write_bytes(kit.files[HOOK])
    seen = subprocess.run(
        ["sh", "-n", HOOK], cwd=tmp_path, capture_output=True, timeout=20, check=False
    )
    assert (seen.returncode, seen.stderr) == (0, b"")
    assert kit.files[HOOK].startswith(b"#!/bin/sh\n# Netcharter: ")


def test_the_unit_is_one_that_the_service_manager_takes(kit: Kit, tmp_path: Path) -> None:
    verify = shutil.which("systemd-analyze")
    text = kit.files["ppp2.service"].decode()
    assert "ExecStart=/usr/sbin/pppd call netcharter-ppp2 nodetach\n" in text
    # pppd(8), EXIT STATUS: 5 for one that was ended by a signal, which is how systemd ends it.
    assert "SuccessExitStatus=5\n" in text
    if verify is None:
        pytest.skip("NO SERVICE MANAGER READ THE UNIT: systemd-analyze is not here")
    text = text.replace("/usr/sbin/pppd", shutil.which("true") or "/bin/true")  # may not be here
    (tmp_path / "netcharter-ppp2.service").write_text(text)
    seen = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(tmp_path / "netcharter-ppp2.service")],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert seen.returncode == 0, seen.stderr
