"""PPPoE on a kernel that has it: the kit's own service dials a provider (RFC 2516; pppd and rp-pppoe's
server), whose session is then ended under it, and which is away for a while.

The provider is `pppoe-server` of Debian's package pppoe, which shares only pppd with us.
"""

from __future__ import annotations

import pytest

from tests.emulated.machine import SYSTEMD, Came, run

pytestmark = pytest.mark.kernel

CHARTER = """\
charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: desk}
lines:
  fibre: {device: eth1, vlan: 35, pppoe: {as: site@isp.example}}
areas:
  office: {device: eth2, prefix: 10.7.0.0/27}
devices:
  desk: {area: office, hardware: '02:00:00:aa:00:01', address: 10.7.0.5}
places:
  far: {prefixes: [198.51.100.64/28]}  # documentation addresses are not the internet's
rules:
  - {let: office, reach: far, with: [http, https, ping], because: daily work}
"""
GIVEN = "203.0.113."  # addresses that the provider gives


@pytest.fixture(scope="module")
def came() -> Came:
    return run(". /job/pppoe.sh", {"charter.yaml": CHARTER}, limit=3600, first=SYSTEMD).sure()


def test_it_is_put_in_place_before_anybody_dialled(came: Came) -> None:
    assert "enact:" not in came.text("enacted"), came.text("enacted")[-3000:]


@pytest.mark.parametrize("when", ["first", "again"])
def test_the_session_is_what_the_plan_says(came: Came, when: str) -> None:
    found = came.text(f"state.{when}")
    assert " ppp1: " in found.splitlines()[0] and " mtu 1492 " in found  # RFC 2516 section 7
    assert f"inet {GIVEN}" in found
    four, six = found.split("IPv4\n")[1].split("IPv6\n")
    assert four.strip() == "default dev ppp1 proto static scope link"
    assert six.startswith("default dev ppp1 proto static metric 1024")
    assert "inet6 fe80::" in found  # IPv6CP (RFC 5072)
    assert "accept_ra = 2" in found and "accept_ra_defrtr = 0" in found
    assert not found.rstrip().splitlines()[-1].startswith("default")  # none in the main table


def test_an_inside_client_gets_beyond_and_back_and_only_over_the_session(came: Came) -> None:
    for when in ("first", "again"):
        assert came.text(f"asked.{when}").startswith(GIVEN), came.text(f"asked.{when}")
    assert came.text("asked.without").startswith("not let")


def test_segments_are_told_the_size_of_the_line(came: Came) -> None:
    # 1492 less 20 of IPv4 and 20 of TCP; the client's own cable takes 1500 and it says 1460.
    assert came.text("opening").strip() == "1452"


def test_what_fits_the_line_exactly_passes_and_one_byte_more_is_told(came: Came) -> None:
    assert " 0% packet loss" in came.text("large")
    assert "mtu" in came.text("larger").lower() and " 100% packet loss" in came.text("larger")


def test_the_password_is_in_nothing_of_ours(came: Came) -> None:
    for name in came.files:
        assert b"correct horse" not in came.files[name], name


def test_enact_places_the_files_and_begins_the_session(came: Came) -> None:
    assert "netcharter-ppp1" not in came.text("prepared"), came.text("prepared")
    assert came.text("peer").startswith("# Netcharter: ") and came.text("verified") == ""
    assert "/etc/ppp/peers" not in came.text("before")


def shown(came: Came, when: str) -> dict[str, str]:
    return dict(line.split("=", 1) for line in came.text(f"service.{when}").splitlines())


def test_the_service_goes_on_from_session_to_session_and_ends_with_what_stands(came: Came) -> None:
    first, again, gone = (shown(came, when) for when in ("first", "again", "gone"))
    for one in (first, again):
        assert (one["ActiveState"], one["SubState"], one["UnitFileState"]) == (
            "active", "running", "disabled",
        )  # fmt: skip
    assert gone["ActiveState"] == "inactive" and "Digest" not in gone
    assert came.text("failed") == ""


def test_the_kernel_is_proven_to_be_the_plan_whether_the_session_is_up_or_not(came: Came) -> None:
    assert "keep:" not in came.text("kept"), came.text("kept")
    for when in ("up", "without", "again"):
        assert "holds:" not in came.text(f"holds.{when}"), came.text(f"holds.{when}")


def test_undoing_leaves_the_machine_as_it_was(came: Came) -> None:
    for word in ("undo:", "keep:"):
        assert word not in came.text("undone"), came.text("undone")
    assert came.text("after") == came.text("before")
