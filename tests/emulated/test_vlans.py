"""VLANs on a kernel that has them: tags on the wire as IEEE 802.1Q has them, seen by packet(7)."""

from __future__ import annotations

from collections import Counter

import pytest

from tests.emulated.charters import BARN, HUT
from tests.emulated.machine import Came, run

pytestmark = pytest.mark.kernel

FAR = "places:\n  far: {prefixes: [198.51.100.64/28]}  # documentation addresses are not the internet's\n"
CHARTER = (
    HUT.replace("devices:\n", f"{BARN}devices:\n")
    .replace("rules:\n", f"{FAR}rules:\n")
    .replace("reach: internet", "reach: far")
)
IPV4 = "0800"


@pytest.fixture(scope="module")
def came() -> Came:
    return run(". /job/vlans.sh", {"charter.yaml": CHARTER}, limit=1800).sure()


def tags(came: Came, name: str, protocol: str) -> Counter[str]:
    """How often which tag was on frames with packets of a protocol."""
    lines = (line.split() for line in came.text(name).splitlines())
    return Counter(tag for tag, kind, _ in lines if kind == protocol)


def test_the_command_makes_the_devices_and_the_proof_holds(came: Came) -> None:
    assert "enact:" not in came.text("enacted"), came.text("enacted")[-3000:]
    found = came.text("devices")
    for name, tag in (("eth0.35@eth0", 35), ("eth2.10@eth2", 10), ("eth2.20@eth2", 20)):
        (line,) = (one for one in found.splitlines() if f" {name}: " in one)
        assert f"vlan protocol 802.1Q id {tag} " in line and ",UP,LOWER_UP>" in line


def test_who_is_let_gets_through_from_tag_to_tag(came: Came) -> None:
    assert (
        came.text("asked.office").strip() == "203.0.113.10"
    )  # translated, and the answer came back
    for refused in ("asked.barn", "asked.across"):
        assert came.text(refused).startswith("not let"), refused


def test_every_packet_on_the_wire_has_the_tag_of_its_area_or_line(came: Came) -> None:
    line, areas = tags(came, "tags.line", IPV4), tags(came, "tags.areas", IPV4)
    assert set(line) == {"35"}
    assert set(areas) == {"10", "20"}  # what barn is told is a refusal


def test_without_a_service_manager_it_is_said_what_is_to_be_begun(came: Came) -> None:
    assert came.text("command").startswith("/usr/sbin/dnsmasq ")
    for name, what in (
        ("enacted", f"begin netcharter-advertising yourself: {came.text('command')}"),
        ("undone", "end netcharter-advertising yourself"),
    ):
        assert " ".join(what.split()) in " ".join(came.text(name).split()), came.text(name)[-2000:]


def test_undoing_leaves_the_machine_as_it_was(came: Came) -> None:
    assert "equal to before: proven" in came.text("undone")
    assert came.text("trial") != came.text("before")
    assert came.text("after") == came.text("before")
