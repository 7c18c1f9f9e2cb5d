"""A whole machine with systemd: its units, its watchdog, its timers, and what a restart brings.

Sources: systemd.service(5) (Type=notify, WatchdogSec=), systemd-run(1), systemd.special(7) for
network-online.target. One disk for both starts.
"""

from __future__ import annotations

import pytest

from tests.emulated.charters import HUT as CHARTER
from tests.emulated.machine import SYSTEMD, Came, own_disk, run

pytestmark = pytest.mark.kernel

OTHER = CHARTER.replace("devices:\n", "  barn: {device: eth2, vlan: 20, hosts: 9}\ndevices:\n")
DIALLED = CHARTER.replace(
    "address: 203.0.113.10/29, next-hop: 203.0.113.9", "pppoe: {as: site@isp.example}"
)


@pytest.fixture(scope="module")
def starts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Came, Came]:
    """What came of the first start and of the second."""
    files = {"charter.yaml": CHARTER, "other.yaml": OTHER, "dialled.yaml": DIALLED}
    with own_disk(tmp_path_factory.mktemp("disk")) as disk:
        first = run(". /job/managed.sh", files, limit=600, disk=disk, first=SYSTEMD).sure()
        return first, run(". /job/started.sh", files, limit=420, disk=disk, first=SYSTEMD).sure()


@pytest.fixture(scope="module")
def first(starts: tuple[Came, Came]) -> Came:
    return starts[0]


@pytest.fixture(scope="module")
def second(starts: tuple[Came, Came]) -> Came:
    return starts[1]


def shown(came: Came, name: str) -> dict[str, str]:
    """Properties as `systemctl show` writes them."""
    return dict(line.split("=", 1) for line in came.text(name).splitlines() if "=" in line)


def test_the_service_manager_finds_no_fault_in_our_units(first: Came) -> None:
    told = first.text("verified")
    assert told.split("== ") == ["", "boot\n", "steward\n", "ppp1\n", "advertising\n"], told


def test_the_units_are_installed_and_the_steward_says_that_it_is_ready(first: Came) -> None:
    assert first.text("enabled").split() == ["enabled", "enabled"]
    found = shown(first, "steward.first")
    assert (found["Type"], found["ActiveState"], found["SubState"]) == (
        "notify",
        "active",
        "running",
    )
    assert found["WatchdogUSec"] == "1min" and found["NRestarts"] == "0"
    assert "status:" not in first.text("status"), first.text("status")


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


def settings(came: Came, name: str) -> str:
    """The digest of what the service went by."""
    return came.text(name).splitlines()[-1].split()[0]


def test_services_run_by_the_settings_of_what_stands_and_no_unit_is_enabled(
    first: Came, second: Came
) -> None:
    found = {name: shown(first, f"service.{name}") for name in ("kept", "trial", "after")}
    found["again"] = shown(second, "service")
    for one in found.values():
        assert (one["ActiveState"], one["UnitFileState"]) == ("active", "disabled")
    assert len({found[name]["MainPID"] for name in ("kept", "trial", "after")}) == 3
    kept, trial = settings(first, "service.kept"), settings(first, "service.trial")
    assert kept == settings(first, "service.after") == settings(second, "service") != trial


def test_without_any_of_ours_no_service_runs_and_no_file_is_left(second: Came) -> None:
    assert "undo:" not in second.text("undone") and "keep:" not in second.text("undone")
    assert shown(second, "service.gone")["ActiveState"] == "inactive"
    assert second.text("left") == ""


def test_a_restart_brings_up_what_is_kept_before_the_network_is_said_to_be_there(
    first: Came, second: Came
) -> None:
    came = {}
    for block in second.text("order").strip().split("\n\n"):
        one = dict(line.split("=", 1) for line in block.splitlines())
        assert one["ActiveState"] == "active", block
        came[one["Id"]] = int(one["ActiveEnterTimestampMonotonic"])
    assert 0 < came["netcharter-boot.service"] <= came["network-online.target"]
    assert "holds:" not in second.text("holds"), second.text("holds")
    assert second.text("failed") == "" and second.text("steward").strip() == "active"
    for part in ("eth0.35", "eth2.10", "inet netcharter"):
        assert part in second.text("after")
    assert len(second.text("history").splitlines()) > len(first.text("history").splitlines())
