"""Whole rehearsals: of the demo site, of a small one, and of ones that cannot be."""

from __future__ import annotations

import pytest

from netcharter.lab import rehearsal as rehearsing
from tests.lab.rehearsing import NOW, demo, kit, rehearsed, small

pytestmark = pytest.mark.kernel

NO_TIME = 0.0


def test_the_demo_site_does_as_its_charter_says() -> None:
    plan = demo()
    found = rehearsed(plan, kit(plan))
    assert [(each.probe.told, each.differences) for each in found.mismatches] == []
    assert found.kernel.same, found.kernel.differences[:3]
    assert found.ok and found.agreed == found.done == found.probes > 2000
    assert found.repeated == 0
    assert set(found.kinds) == {
        "plain", "talk", "fragments", "extension", "source-routed", "no-start", "no-question"
    }  # fmt: skip
    assert {"let", "reset", "prohibited", "silent"} <= set(found.fates)
    assert sum(found.kinds.values()) == sum(found.fates.values()) == found.done


def test_a_rehearsal_without_time_says_what_it_left() -> None:
    found = rehearsing.rehearse(small(), kit(small()), NOW, limit=50, seconds=NO_TIME)
    assert 50 >= found.probes > found.done == found.agreed == 0
    assert not found.ok
    assert [each.why for each in found.unprobed].count("the time was over") == 1


def test_progress_is_told_from_within_the_lab() -> None:
    heard: list[tuple[int, int, str]] = []
    found = rehearsing.rehearse(
        small(), kit(small()), NOW, limit=20,
        on_progress=lambda done, total, words: heard.append((done, total, words)),
    )  # fmt: skip
    assert [done for done, _, _ in heard if done] == list(range(1, found.probes + 1))
    assert {total for _, total, _ in heard} == {found.probes}
    assert all(words for _, _, words in heard)


def test_a_rehearsal_needs_no_root() -> None:
    found = rehearsing.rehearse(small(), kit(small()), NOW, limit=60, as_user=True)
    assert found.agreed == found.probes, [each.differences for each in found.mismatches]
