"""A whole machine with systemd: its units, its watchdog, its timers, the services of a kit, and what
a restart brings.

Sources: systemd.service(5) (Type=notify, WatchdogSec=), systemd-run(1), systemd.special(7) for
network-online.target; RFC 4862 for what a host has of an advertised prefix, RFC 8415 for a delegated
one, by isc-dhcp's client and server. One disk for both starts.
"""

from __future__ import annotations

from ipaddress import IPv6Network, ip_interface

import pytest

from tests.emulated.charters import HUT as CHARTER
from tests.emulated.machine import SYSTEMD, Came, own_disk, run

pytestmark = pytest.mark.kernel

OTHER = CHARTER.replace(
    "devices:\n", "  barn: {device: eth2, vlan: 20, hosts: 9}\ndevices:\n"
).replace("next-hop: 203.0.113.9", "next-hop: 203.0.113.9, prefix: delegated")
DELEGATED, LOCAL = (
    IPv6Network("2a00:c00:7a00::/56"),
    IPv6Network("fd00::/8"),
)  # RFC 4193 section 3.1


@pytest.fixture(scope="module")
def starts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Came, Came]:
    """What came of the first start and of the second."""
    files = {"charter.yaml": CHARTER, "other.yaml": OTHER}
    with own_disk(tmp_path_factory.mktemp("disk")) as disk:
        first = run(". /job/managed.sh", files, limit=3600, disk=disk, first=SYSTEMD).sure()
        return first, run(". /job/started.sh", files, limit=3600, disk=disk, first=SYSTEMD).sure()


@pytest.fixture(scope="module")
def first(starts: tuple[Came, Came]) -> Came:
    return starts[0]


@pytest.fixture(scope="module")
def second(starts: tuple[Came, Came]) -> Came:
    return starts[1]


def shown(came: Came, name: str) -> dict[str, str]:
    """Properties as `systemctl show` writes them."""
    return dict(line.split("=", 1) for line in came.text(name).splitlines() if "=" in line)


def heard(came: Came, name: str) -> list[IPv6Network]:
    """Of which networks the desk has addresses."""
    words = (line.split() for line in came.text(name).splitlines())
    found = [
        ip_interface(line[line.index("inet6") + 1]).network for line in words if "inet6" in line
    ]
    return [one for one in found if isinstance(one, IPv6Network)]


def test_the_service_manager_finds_no_fault_in_our_units(first: Came) -> None:
    told = first.text("verified")
    assert told.split("== ") == ["", "prefix-1\n", "boot\n", "steward\n", "advertising\n"], told


def test_the_units_are_installed_and_the_steward_says_that_it_is_ready(first: Came) -> None:
    assert first.text("enabled").split() == ["enabled", "enabled"]
    found = shown(first, "steward.first")
    assert (found["Type"], found["ActiveState"], found["SubState"]) == (
        "notify",
        "active",
        "running",
    )
    assert found["WatchdogUSec"] == "1min" and found["NRestarts"] == "0"
    # It answers; alarms of a slow machine (what was not done in time) are its own matter.
    assert "holds: asks whether" in first.text("status"), first.text("status")


def test_a_steward_that_hangs_is_ended_and_begun_again(second: Came) -> None:
    before, after = (shown(second, f"steward.{when}") for when in ("first", "again"))
    assert before["MainPID"] != after["MainPID"]
    assert int(after["NRestarts"]) >= 1 and after["ActiveState"] == "active"
    assert "Watchdog timeout" in second.text("journal")


def test_a_timer_of_the_service_manager_undoes_what_nobody_keeps(first: Came) -> None:
    for name in ("timers", "timers.other"):
        assert first.text(name).startswith("netcharter-undo-"), name
    assert "enact:" not in first.text("enacted.other"), first.text("enacted.other")[-3000:]
    assert "eth2.20" in first.text("trial") and "eth2.20" not in first.text("before")
    assert first.text("after") == first.text("before")
    assert "holds:" not in first.text("holds"), first.text("holds")


def test_enact_and_keep_succeed_with_services(first: Came) -> None:
    for name in ("enacted", "enacted.again"):
        assert "enact:" not in first.text(name), first.text(name)[-3000:]
    for name in ("kept", "kept.again"):
        assert "keep:" not in first.text(name), first.text(name)[-3000:]
    assert first.text("failed") == ""


def test_services_run_by_the_settings_of_what_stands_and_no_unit_is_enabled(
    first: Came, second: Came
) -> None:
    whens = ("kept", "trial", "after", "again")
    found = [*(shown(first, f"advertising.{one}") for one in whens), shown(second, "advertising")]
    prefixes = [
        *(shown(first, f"prefix.{one}") for one in ("trial", "again")),
        shown(second, "prefix"),
    ]
    for one in (*found, *prefixes):
        assert (one["ActiveState"], one["SubState"], one["UnitFileState"]) == (
            "active", "running", "disabled",
        )  # fmt: skip
    kept, trial, after, again, started = found
    assert len({one["MainPID"] for one in (kept, trial, after, again)}) == 4  # begun anew by others
    assert kept["Digest"] == after["Digest"] != trial["Digest"]
    assert trial["Digest"] == again["Digest"] == started["Digest"]


def test_undoing_ends_and_removes_a_service_that_was_not_there_before(first: Came) -> None:
    found = shown(first, "prefix.after")
    assert (found["ActiveState"], found["UnitFileState"]) == ("inactive", "")
    assert "Digest" not in found  # nor is its file
    for name in ("netcharter-prefix-1.service", "/etc/netcharter/prefix.sh"):
        assert name in first.text("trial") and name not in first.text("after")


def test_what_a_provider_delegates_is_written_down_by_the_service_and_reaches_hosts(
    first: Came, second: Came
) -> None:
    assert first.text("learnt").startswith(f"{DELEGATED} "), first.text("learnt")
    (before,) = heard(first, "heard.kept")
    assert before.subnet_of(LOCAL)
    for came, name in ((first, "heard.again"), (second, "heard")):
        local, given = sorted(heard(came, name), key=lambda one: one.subnet_of(DELEGATED))
        assert local == before and given.subnet_of(DELEGATED) and given.prefixlen == 64


def test_the_steward_can_have_a_delegated_prefix_taken_over_beside_its_own_unit(
    first: Came, second: Came
) -> None:
    """systemd-run --wait, which needs the message bus, and a program that may do more than the unit."""
    for came in (first, second):
        told = [
            line for line in came.text("journal").splitlines() if "delegated prefixes: " in line
        ]
        assert not [line for line in told if "ended with" in line], told


def test_without_any_of_ours_no_service_runs_and_no_file_is_left(second: Came) -> None:
    assert "undo:" not in second.text("undone") and "keep:" not in second.text("undone")
    assert second.text("services.gone").count("ActiveState=inactive\n") == 2
    assert second.text("left") == ""


def test_a_restart_brings_up_what_is_kept_before_the_network_is_said_to_be_there(
    first: Came, second: Came
) -> None:
    came = {}
    for block in second.text("order").strip().split("\n\n"):
        one = dict(line.split("=", 1) for line in block.splitlines())
        came[one["Id"]] = int(one["ActiveEnterTimestampMonotonic"])
    assert 0 < came["netcharter-boot.service"] <= came["network-online.target"]
    assert "holds:" not in second.text("holds"), second.text("holds")
    assert second.text("failed") == "" and second.text("steward").strip() == "active"
    assert "eth0.35@eth0" in second.text("links") and "eth2.20@eth2" in second.text("links")
    assert "203.0.113.10/29" in second.text("addresses") and second.text("rules") == "there\n"
    assert len(second.text("history").splitlines()) > len(first.text("history").splitlines())
