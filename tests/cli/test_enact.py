"""The whole of a roll-out by its commands, in a namespace of its own: enact, keep, holds, undo, boot."""

from __future__ import annotations

import json
import shlex
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.docs.shapes import breaches, shapes
from tests.kernel import namespace

pytestmark = pytest.mark.kernel

ROOT = Path(__file__).parents[2]
SHAPES = shapes((ROOT / "docs/reference/json.md").read_text(encoding="utf-8"))
RULE = "  - {let: office, reach: barn, with: ssh, because: repairs}\n"
CHARTER = f"""\
charter: 1
site: {{name: Hut, timezone: Europe/London, managed-from: desk}}
lines:
  copper: {{device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}}
areas:
  office: {{device: eth2, hosts: 12}}
  barn: {{device: eth5, hosts: 3}}
devices:
  desk: {{area: office, hardware: '02:00:00:aa:00:01', address: lasting}}
rules:
  - {{let: office, reach: internet, with: [http, https, ntp], because: daily work}}
{RULE}"""
LOCKED_OUT = CHARTER.replace(
    "managed-from: desk}", "managed-from: desk}\npromises:\n  - {never: office, reach: gateway}"
)
DEVICES = """\
ip link set lo up
for each in eth0 eth2 eth5; do
    ip link add name $each type veth peer name p$each
    ip link set $each up
    ip link set p$each up
done
"""
# The kernel brings link-local routes when it likes: they are left out.
LOOK = (
    "ip -o address show scope global; ip route show table all type unicast | grep -v fe80 | sort;"
    " ip rule; nft -s list ruleset"
)


class Played:
    """A script of commands, and what each printed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.script = DEVICES
        self._count = 0

    def write(self, name: str, text: str) -> None:
        (self.folder / name).write_text(text, encoding="utf-8")

    def ask(self, *words: str) -> int:
        """A netcharter command; the number under which its answer is found."""
        self._count += 1
        command = shlex.join(
            [sys.executable, "-m", "netcharter", *words, "--state", "state", "--json"]
        )
        self.script += (
            f"{command} > {self._count}.json 2> {self._count}.err; echo $? > {self._count}.exit\n"
        )
        return self._count

    def sh(self, line: str) -> None:
        self.script += line + "\n"

    def play(self) -> None:
        namespace.run("set +e\n" + self.script, self.folder)

    def answer(self, number: int, shape: str | None, code: int) -> dict[str, Any]:
        said = (self.folder / f"{number}.err").read_text(encoding="utf-8")
        text = (self.folder / f"{number}.json").read_text(encoding="utf-8")
        assert (self.folder / f"{number}.exit").read_text().strip() == str(code), said + text[:2000]
        found: dict[str, Any] = json.loads(text)
        if shape is not None:
            assert list(breaches(found, shape, SHAPES)) == []
        return found

    def text(self, name: str) -> str:
        return (self.folder / name).read_text(encoding="utf-8")


def test_a_charter_is_put_in_place_kept_mended_exchanged_and_undone(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.write("less.yaml", CHARTER.replace(RULE, ""))
    site.sh(f"({LOOK}) > stock.txt")
    first = site.ask("enact", "charter.yaml", "--yes", "--because", "a beginning")
    early = site.ask("enact", "less.yaml", "--yes", "--waive", "rehearsal", "--because", "haste")
    kept = site.ask("keep")
    well = site.ask("holds")
    site.sh("nft insert rule inet netcharter nc_forward accept; ip address del 10.0.0.0/8 dev eth5")
    site.sh("ip rule del pref 11200")
    spoilt = site.ask("holds")
    mended = site.ask("holds", "--mend")
    second = site.ask("enact", "less.yaml", "--yes", "--because", "repairs are over")
    undone = site.ask("undo", "--because", "too early")
    again = site.ask("holds")
    site.sh(
        "nft flush ruleset; ip address flush dev eth2 scope global; sysctl -qw net.ipv4.ip_forward=0"
    )
    boot = site.ask("boot")
    booted = site.ask("holds")
    back = site.ask("undo")
    stock = site.ask("keep")
    site.sh(f"({LOOK}) > end.txt")
    history = site.ask("undo", "--history")
    site.play()

    found = site.answer(first, "enact", 0)
    assert (found["state"], found["by"], found["version"]) == ("waiting", "listing", 1)
    assert found["management"]["holds"] and found["rehearsal"]["agreed"] > 300
    assert int(found["totals"]["opened"]) > 0 and found["refused"] == found["waived"] == []
    assert "is on trial" in site.answer(early, None, 2)["reason"]
    assert site.answer(kept, "keep", 0)["version"] == 1
    assert site.answer(well, "holds", 0)["state"] == "as planned"

    found = site.answer(spoilt, "holds", 1)
    assert found["state"] == "otherwise" and int(found["totals"]["closed"]) > 0
    assert any("11200" in other for other in found["others"])
    assert site.answer(mended, "holds", 0)["state"] == "as planned"

    found = site.answer(second, "enact", 0)
    assert (found["state"], found["by"]) == ("waiting", "plan")
    assert found["totals"]["opened"] == "0" and int(found["totals"]["closed"]) > 0
    assert found["closed"][0]["service"] == "ssh"
    found = site.answer(undone, "undo", 0)
    assert (found["state"], found["why"], found["left"]) == ("undone", "too early", [])
    assert site.answer(again, "holds", 0)["state"] == "as planned"

    assert site.answer(boot, "boot", 0)["version"] == 1
    assert site.answer(booted, "holds", 0)["state"] == "as planned"
    assert site.answer(back, "undo", 0)["version"] == 0
    assert site.answer(stock, "keep", 0)["version"] == 0
    assert site.text("end.txt") == site.text("stock.txt")
    events = site.answer(history, "history", 0)["events"]
    assert [one["what"] for one in events] == [
        "enacted", "kept", "mended", "enacted", "undone", "restored at boot",
        "enacted", "kept",
    ]  # fmt: skip
    assert events[0]["why"] == "a beginning" and events[0]["who"]


def test_what_has_to_make_way_is_named(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.sh("ip address add 192.0.2.7/24 dev eth5")
    said = ("--only-judge", "--waive", "rehearsal", "--because", "only names are looked at")
    judged = site.ask("enact", "charter.yaml", *said)
    site.play()
    assert any("192.0.2.7" in one for one in site.answer(judged, "enact", 0)["others"])


def test_what_would_lock_one_out_is_refused_and_nothing_changes(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", LOCKED_OUT)
    site.sh(f"({LOOK}) > before.txt")
    refused = site.ask("enact", "charter.yaml", "--yes")
    site.sh(f"({LOOK}) > after.txt; ls -A state > folder.txt 2>/dev/null || true")
    site.play()
    found = site.answer(refused, "enact", 1)
    assert found["state"] == "refused" and found["version"] is None
    assert "promises" in {one["check"] for one in found["refused"]}
    assert site.text("before.txt") == site.text("after.txt")
    assert site.text("folder.txt") == ""


def test_a_session_from_elsewhere_is_refused_by_its_own_way_in(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.sh("export SSH_CONNECTION='198.51.100.9 40000 203.0.113.10 22'")
    refused = site.ask("enact", "charter.yaml", "--yes")
    site.play()
    found = site.answer(refused, "enact", 1)
    assert [one["check"] for one in found["refused"]] == ["management"]
    assert not found["management"]["holds"] and found["management"]["witness"]


def test_a_site_moves_area_by_area(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.sh("held() { ip -o -4 address show dev $1 | awk '{print $4}'; }")
    enact = ("enact", "charter.yaml", "--yes", "--waive", "rehearsal", "--because", "haste")
    none = site.ask(*enact, "--leave", "office", "--leave", "barn")
    locked = site.ask(*enact, "--leave", "office")
    lacking = site.ask("enact", "charter.yaml", "--prepare", "--leave", "barn")
    first = site.ask(*enact, "--leave", "barn")
    kept, well = site.ask("keep"), site.ask("holds")
    site.sh("held eth2 > office.1; held eth5 > barn.1")
    whole = site.ask(*enact)
    site.sh("held eth2 > office.2; held eth5 > barn.2")
    undone, again = site.ask("undo"), site.ask("holds")
    site.sh("held eth5 > barn.3")
    later = [site.ask(*enact), site.ask("keep"), site.ask("undo"), site.ask("keep")]
    back, history = site.ask("holds"), site.ask("undo", "--history")
    site.play()

    assert site.answer(none, "unusable", 2)["diagnostics"][0]["id"] == "area-none-moved"
    found = site.answer(locked, "enact", 1)
    assert "areas" in {one["check"] for one in found["refused"]}
    assert "area-left-managers" in {one["id"] for one in found["findings"]}
    # What a kit needs may not be installed on the machine that runs this.
    install = json.loads(site.text(f"{lacking}.json"))["install"]
    found = site.answer(lacking, "prepare", int("dnsmasq-base" in install))
    errors = {one["id"] for one in found["findings"] if one["severity"] == "error"}
    assert errors <= {"package-missing"}
    assert {one["about"] for one in found["findings"]} >= {"netcharter-boot.service"}
    found = site.answer(first, "enact", 0)
    assert (found["state"], found["areas_left"]) == ("waiting", ["barn"])
    assert {one["id"] for one in found["findings"]} >= {"area-left", "sentence-left"}
    assert site.answer(kept, "keep", 0)["boots"] is False
    assert site.answer(well, "holds", 0)["ok"] and site.answer(again, "holds", 0)["ok"]
    found = site.answer(whole, "enact", 0)
    assert (found["state"], found["areas_left"], found["findings"]) == ("waiting", [], [])
    assert site.answer(undone, "undo", 0)["left"] == []
    for one, shape in zip(later, ("enact", "keep", "undo", "keep"), strict=True):
        site.answer(one, shape, 0)
    assert site.answer(back, "holds", 0)["ok"] and not site.answer(back, "holds", 0)["notes"]

    assert site.text("office.1") == site.text("office.2") != ""
    assert site.text("barn.1") == site.text("barn.3") == "" != site.text("barn.2")
    events = site.answer(history, "history", 0)["events"]
    assert events[0]["difference"].endswith("; left for now: barn")
    assert "left for now" not in events[2]["difference"]
    versions = tmp_path / "state" / "versions"
    records = [json.loads((versions / f"000{n}" / "version.json").read_text()) for n in (1, 2)]
    assert [one["left"] for one in records] == [["barn"], []]


def test_a_copy_moves_to_another_machine(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    said = ("--waive", "rehearsal", "--because", "it was rehearsed before")
    site.ask("enact", "charter.yaml", "--yes", *said)
    site.ask("keep")
    copied = site.ask("backup", "-o", "copy")
    site.sh(
        f'print=$(python3 -c \'import json; print(json.load(open("{copied}.json"))["fingerprint"])\')'
    )
    site.sh("mv state gone; nft flush ruleset; ip link set eth5 down; ip link set eth5 name moved")
    netcharter = f"{sys.executable} -m netcharter restore copy --state state --json"
    site.sh(f"{netcharter} --fingerprint 0000 -o wrong > wrong.json; ls -A state > folder.txt 2>&1")
    site.sh(f'{netcharter} --fingerprint "$print" -o here --device eth5=moved > 90.json 2> 90.err')
    site.sh("echo $? > 90.exit; ip link set moved up")
    there = site.ask("enact", "here/charter.yaml", "--yes", *said)
    history = site.ask("undo", "--history")
    site.play()
    found = site.answer(copied, "backup", 0)
    assert found["kept"] == 1 and found["site"] == "Hut"
    assert not json.loads(site.text("wrong.json"))["ok"]
    back = site.answer(90, "restore", 0)
    assert back["changed"] == [{"name": "barn", "before": "eth5", "after": "moved"}]
    assert back["missing"] == []
    assert site.answer(there, "enact", 0)["state"] == "waiting"
    events = site.answer(history, "history", 0)["events"]
    assert [one["what"] for one in events] == ["enacted", "kept", "restored", "enacted"]
    assert events[2]["why"].startswith("from the copy of Hut that ")


def test_what_a_machine_lacks_is_told_and_nothing_changes(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER.replace("device: eth5", "device: eth55"))
    lacking = site.ask("enact", "charter.yaml", "--prepare")
    site.sh("ls -A state > folder.txt 2>/dev/null || true")
    site.play()
    found = site.answer(lacking, "prepare", 1)
    missing = [one for one in found["findings"] if one["id"] == "device-missing"]
    assert len(missing) == 1 and "barn" in missing[0]["message"]
    assert site.text("folder.txt") == ""


def test_waiving_needs_a_reason(tmp_path: Path) -> None:
    site = Played(tmp_path)
    site.write("charter.yaml", CHARTER)
    site.ask("enact", "charter.yaml", "--yes", "--waive", "rehearsal")
    site.play()
    assert site.text("1.exit").strip() == "2" and "--because" in site.text("1.err")


def test_where_nothing_is_kept_nothing_is_made(tmp_path: Path) -> None:
    site = Played(tmp_path)
    asked = [site.ask("undo"), site.ask("undo", "7"), site.ask("holds"), site.ask("keep")]
    site.ask("boot")
    site.sh("ls -A state > folder.txt 2>/dev/null || true")
    site.play()
    for one in asked:
        assert site.answer(one, None, 2)["state"] == "refused"
    assert site.answer(5, "boot", 0)["version"] is None and site.text("folder.txt") == ""
