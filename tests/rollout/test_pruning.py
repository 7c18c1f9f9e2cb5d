"""Versions that the machine made itself go in time, and nothing that anybody may go back to."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from netcharter.rollout.looks import versions
from netcharter.rollout.pruning import MOST, pruned
from netcharter.rollout.store import events_of
from netcharter.rollout.work import Waiting, back, enact, keep, undo
from tests.rollout.pretended import STATE, Died, Pretended, making, work

TRIAL = 60.0


def fine() -> tuple[str, ...]:
    return ()


def kept(host: Pretended, number: int, unasked: bool) -> None:
    """One more version: of somebody, or of the machine itself."""
    made = replace(making(address=f"{number}"), unasked=unasked)
    assert isinstance(enact(work(host), made, TRIAL, fine), Waiting)
    assert keep(work(host)).version == number


def grown(by_itself: int) -> Pretended:
    """Version 1 of somebody, then these of the machine itself."""
    host = Pretended()
    for number in range(1, 2 + by_itself):
        kept(host, number, number > 1)
    return host


def numbers(host: Pretended) -> list[int]:
    return list(versions(work(host)))


def test_the_newest_that_the_machine_made_itself_stay_and_all_of_somebody() -> None:
    host = grown(MOST)
    assert pruned(work(host)) == ()
    kept(host, MOST + 2, unasked=True)
    assert pruned(work(host)) == (2,)
    for number in range(MOST + 3, 3 * MOST):
        kept(host, number, unasked=number % 2 == 0)
    gone = pruned(work(host))
    left = numbers(host)
    assert gone and all(number % 2 == 0 or number <= MOST + 2 for number in gone)
    by_itself = [number for number, one in versions(work(host)).items() if one.unasked]
    assert len(by_itself) == MOST and 1 in left
    assert not [path for path in host.files_ if f"versions/{gone[0]:04}/" in path]
    # The history still tells of those that are gone.
    events = events_of(host.files_[f"{STATE}/history.jsonl"])
    assert any(one.version == gone[0] for one in events)


def test_what_is_kept_what_it_was_made_after_and_what_undo_leads_to_stay() -> None:
    host = grown(MOST + 5)
    for target in (2, 5):
        assert isinstance(back(work(host), target, TRIAL, fine), Waiting)
        keep(work(host))
    assert pruned(work(host)) == (3, 6)
    assert numbers(host) == [1, 2, 4, 5, *range(7, MOST + 7)]
    found = back(work(host), None, TRIAL, fine)
    assert isinstance(found, Waiting) and found.trial.version == 2


def test_while_something_is_on_trial_all_stay() -> None:
    host = grown(MOST + 3)
    assert isinstance(back(work(host), 2, TRIAL, fine), Waiting)
    assert pruned(work(host)) == ()
    undo(work(host))
    assert pruned(work(host)) == (2, 3, 4)


@pytest.mark.parametrize("side", ["before", "after"])
def test_killed_anywhere_what_is_left_is_whole(side: str) -> None:
    for number in range(3):
        host = grown(MOST + 3)
        host.count, host.dies = 0, (number, side)  # type: ignore[assignment]
        with pytest.raises(Died):
            pruned(work(host))
        host.revived()
        pruned(work(host))
        assert numbers(host) == [1, *range(5, MOST + 5)]


def test_a_state_folder_that_can_not_be_written_keeps_all() -> None:
    host = grown(MOST + 1)
    host.count, host.fails = 0, frozenset({0})
    assert pruned(work(host)) == () and 2 in numbers(host)


def test_what_was_fetched_for_no_version_goes_with_it() -> None:
    host = grown(1)
    for number, fetched in ((1, {"seen": 3600}), (2, {"games": 3600, "x.json": 3600})):
        path = f"{STATE}/versions/{number:04}/kit/manifest.json"
        host.files_[path] = json.dumps(
            {**json.loads(host.files_[path]), "fetched": fetched}
        ).encode()
    for name in ("seen", "seen.json", "games", "games.json", "x.json", "old", "old.json"):
        host.files_[f"{STATE}/lists/{name}"] = b""
    for name in ("games", "games:hosts", "old", "old:plain"):
        host.files_[f"{STATE}/names/fetched/{name}/below.cdb"] = b""
    pruned(work(host))
    assert host.names(f"{STATE}/names/fetched") == ("games", "games:hosts")
    assert host.names(f"{STATE}/lists") == ("games", "games.json", "seen", "seen.json", "x.json")
