"""Preferred times of the gateway's own addresses, as a kernel takes them: a state like any other."""

from __future__ import annotations

import pytest

from netcharter.rollout.converge import converge
from netcharter.rollout.network import deprecated
from netcharter.rollout.shapes import HostState
from netcharter.rollout.unlike import unlike
from netcharter.rollout.wanted import as_before, settings_of, wanted
from tests.rollout.bench import Bench, bench, devices_of, fitting, kit_of, planned
from tests.steward.test_ways import PAIR

pytestmark = pytest.mark.kernel

STEP = "preferred times of addresses are set"


def over(state: HostState) -> set[str]:
    return {str(held.interface) for held in state.addresses if deprecated(held)}


def faded(place: Bench, address: str, device: str) -> None:
    place.sure(("ip", "address", "change", address, "dev", device, "preferred_lft", "0"))


def test_a_preferred_time_is_brought_about_and_undone_like_all_else() -> None:
    files = dict(fitting(kit_of(PAIR)))
    names = settings_of(files)
    with bench() as place:
        place.devices(devices_of(planned(PAIR)))
        place.take(converge(now := place.observe(names), wanted(files, now)))
        stands = place.observe(names)
        assert over(stands) == set()
        prefixed = [h for h in stands.addresses if str(h.interface).startswith("2001:db8:50:")]
        first, second = prefixed[:2]
        faded(place, str(first.interface), first.device)

        # Whoever compares finds it, and a version that is put in place again gives it its time back.
        now = place.observe(names)
        assert over(now) == {str(first.interface)}
        told = unlike(
            HostState(0, addresses=wanted(files, now).addresses),
            HostState(0, addresses=now.addresses),
        )
        assert [one.partition(":")[0] for one in told] == ["address missing", "address besides"]
        steps = converge(now, wanted(files, now))
        assert STEP in [step.name for step in steps]
        place.take(steps)
        assert place.observe(names).addresses == stands.addresses

        # A kit as it stands while the line of the second has failed asks for that.
        line = f"address replace {second.interface} dev {second.device}"
        text = files["addresses.batch"].decode().replace(line, f"{line} preferred_lft 0")
        led = {**files, "addresses.batch": text.encode()}
        now = place.observe(names)
        place.take(converge(now, wanted(led, now)))
        assert over(place.observe(names)) == {str(second.interface)}
        now = place.observe(names)
        assert wanted(led, now).addresses == now.addresses

        # Undone, it is as it was before.
        before = now
        place.take(converge(now, wanted(files, now)))
        now = place.observe(names)
        assert over(now) == set()
        place.take(converge(now, as_before(before, now, files)))
        assert over(place.observe(names)) == {str(second.interface)}
