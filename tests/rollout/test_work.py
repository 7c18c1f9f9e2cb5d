"""Enact, keep, undo, boot and the timer on a pretended host, killed and failing at every effect."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from netcharter.rollout.shapes import FILTERING, Effect, Run, Step
from netcharter.rollout.store import events_of
from netcharter.rollout.trouble import EffectFailed, RolloutRefused
from netcharter.rollout.work import (
    Booted,
    Kept,
    Undone,
    Waiting,
    back,
    boot,
    brought_up,
    enact,
    keep,
    look,
    timer_look,
    timer_work,
    undo,
    versions,
)
from tests.rollout.pretended import STATE, STOCK, Died, Pretended, Side, making, work

OLD = {"address": "old", "filter": "old", "forwarding": "1"}
NEW = {"address": "new", "filter": "new", "forwarding": "1"}
TRIAL = 60.0
Action = Callable[[Pretended], object]


def fine() -> tuple[str, ...]:
    return ()


def established() -> Pretended:
    """A host on which version 1 is kept."""
    host = Pretended()
    assert isinstance(enact(work(host), making(**OLD), TRIAL, fine), Waiting)
    assert keep(work(host)) == Kept(1)
    host.count = 0
    host.timer_lives = False
    return host


def enacted(host: Pretended) -> object:
    return enact(work(host), making(**NEW), TRIAL, fine)


def enacted_and_kept(host: Pretended) -> object:
    enacted(host)
    return keep(work(host))


def enacted_and_undone(host: Pretended) -> object:
    enacted(host)
    return undo(work(host))


def enacted_in_vain(host: Pretended) -> object:
    return enact(work(host), making(**NEW), TRIAL, lambda: ("a rule is missing",))


def enacted_kept_and_gone_back(host: Pretended) -> object:
    enacted_and_kept(host)
    back(work(host), None, TRIAL, fine)
    return keep(work(host))


def gone_back_to_stock(host: Pretended) -> object:
    back(work(host), None, TRIAL, fine)
    return keep(work(host))


ACTIONS = [
    enacted,
    enacted_and_kept,
    enacted_and_undone,
    enacted_in_vain,
    enacted_kept_and_gone_back,
    gone_back_to_stock,
]


def timer(host: Pretended) -> None:
    """The timer of whatever is on trial, until it has nothing to do; bounded."""
    for _ in range(200):
        trial = look(work(host)).trial
        if trial is None:
            return
        does = timer_look(work(host), trial.version)
        if does == "undo":
            does_then = timer_work(work(host), trial.version, 0)
            if isinstance(does_then, Undone):
                assert does_then.left == ()
                return
            if does_then in ("end", "tidy"):
                return
        elif does == "end":
            return
        host.wait(1.0)
    raise AssertionError("the timer does not end")


def of_link(host: Pretended) -> dict[str, str]:
    """What is to be there when nothing is on trial: by the link alone."""
    kept = host.links.get(f"{STATE}/kept")
    return {None: STOCK, "versions/0001": OLD, "versions/0002": NEW}[kept]


def effects(action: Action) -> int:
    host = established()
    action(host)
    return host.count


def killed(action: Action, number: int, side: Side) -> Pretended:
    host = established()
    host.dies = (number, side)
    with pytest.raises(Died):
        action(host)
    host.revived()
    return host


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("side", ["before", "after"])
def test_killed_anywhere_the_timer_leaves_what_the_link_says(action: Action, side: Side) -> None:
    for number in range(effects(action)):
        host = killed(action, number, side)
        timer(host)
        assert host.settings == of_link(host), (number, side)
        undo(work(host))
        assert look(work(host)).situation == "quiet"
        assert isinstance(enacted(host), Waiting)  # and all goes on


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("side", ["before", "after"])
def test_killed_anywhere_a_reboot_brings_up_what_the_link_says(action: Action, side: Side) -> None:
    for number in range(effects(action)):
        host = killed(action, number, side)
        host.rebooted()
        kept = look(work(host)).kept
        assert boot(work(host)) == Booted(kept)
        assert host.settings == of_link(host), (number, side)
        assert look(work(host)).trial is None


@pytest.mark.parametrize("action", ACTIONS)
def test_the_timer_may_be_killed_too_and_another_takes_over(action: Action) -> None:
    for number in range(effects(action)):
        first = killed(action, number, "after")
        timer(first)
        for later in range(first.count - number - 1):
            host = killed(action, number, "after")
            host.dies = (number + 1 + later, "before")
            with pytest.raises(Died):
                timer(host)
            host.revived()
            undo(work(host))
            assert host.settings == of_link(host), (number, later)
            assert look(work(host)).situation == "quiet"


@pytest.mark.parametrize("action", ACTIONS)
def test_boot_may_be_killed_too_and_the_next_brings_all_up(action: Action) -> None:
    for number in range(effects(action)):
        first = killed(action, number, "after")
        first.rebooted()
        boot(work(first))
        for later in range(first.count - number - 1):
            host = killed(action, number, "after")
            host.rebooted()
            host.dies = (number + 1 + later, "after")
            with pytest.raises(Died):
                boot(work(host))
            host.rebooted()
            boot(work(host))
            assert host.settings == of_link(host), (number, later)


def test_whatever_fails_the_host_is_as_before_or_as_kept() -> None:
    """Every single effect of an enact and a keep fails once; the host is never in between."""
    for number in range(effects(enacted_and_kept)):
        host = established()
        host.fails = frozenset({number})
        try:
            enacted_and_kept(host)
        except RolloutRefused:
            pass
        host.fails = frozenset()
        now = look(work(host))
        if now.situation == "open":  # it can't be kept just now, and waits
            assert now.trial and now.trial.phase == "waiting"
            host.wait(TRIAL)
        timer(host)
        assert host.settings == of_link(host), number


def test_on_a_full_disk_nothing_begins() -> None:
    host = established()
    host.full = True
    with pytest.raises(RolloutRefused, match="No space left on device"):
        enacted(host)
    assert host.settings == OLD
    assert look(work(host)).situation == "quiet"


def test_a_disk_that_fills_up_during_a_trial_does_not_keep_it_from_being_undone() -> None:
    host = established()
    enacted(host)
    host.full = True
    with pytest.raises(RolloutRefused, match="stays on trial"):
        host.fails = frozenset({host.count})
        keep(work(host))
    done = undo(work(host), "no longer wanted")
    assert isinstance(done, Undone) and done.left == () and len(done.notes) == 2
    assert host.settings == OLD
    assert look(work(host)).situation == "quiet"


def test_a_timer_that_does_not_arm_means_nothing_changes() -> None:
    host = established()
    host.arms = False
    with pytest.raises(RolloutRefused, match="undo timer"):
        enacted(host)
    assert host.settings == OLD
    assert look(work(host)).situation == "quiet"


def test_a_trial_is_refused_while_another_waits() -> None:
    host = established()
    enacted(host)
    with pytest.raises(RolloutRefused, match="version 2 is on trial: the keeper put it in place"):
        enacted(host)
    assert host.settings == NEW


def test_a_trial_whose_timer_died_is_told_as_such() -> None:
    host = established()
    enacted(host)
    host.timer_lives = False
    with pytest.raises(RolloutRefused, match="its undo timer has died; keep it or undo it first"):
        enacted(host)


def test_a_host_that_can_not_be_worked_on_is_left_alone() -> None:
    host = Pretended(unready=True)
    with pytest.raises(RolloutRefused, match="no nft"):
        enacted(host)
    assert host.done == []


def test_what_is_not_what_was_planned_is_undone_at_once() -> None:
    host = established()
    done = enacted_in_vain(host)
    assert done == Undone(2, "it is not what was planned: a rule is missing")
    assert host.settings == OLD


def test_an_interruption_is_undone_at_once_and_goes_on() -> None:
    host = established()

    def interrupted() -> tuple[str, ...]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        enact(work(host), making(**NEW), TRIAL, interrupted)
    assert host.settings == OLD
    assert look(work(host)).situation == "quiet"


def test_what_was_cut_short_is_undone_without_waiting_for_the_deadline() -> None:
    host = established()
    host.dies = (effects(enacted) - 2, "after")
    with pytest.raises(Died):
        enacted(host)
    host.revived()
    assert host.settings != OLD
    began = host.clock()
    timer(host)
    assert host.settings == OLD
    assert host.clock() - began < 2


def test_keep_is_refused_when_nothing_waits() -> None:
    host = established()
    with pytest.raises(RolloutRefused, match="nothing is on trial"):
        keep(work(host))
    enacted(host)
    host.rebooted()
    with pytest.raises(RolloutRefused, match="version 2 is not in place"):
        keep(work(host))


def test_a_host_that_does_not_become_as_before_stays_undoing_and_says_so() -> None:
    host = established()
    enacted(host)
    host.fails = frozenset(range(host.count, host.count + 1000))
    done = undo(work(host))
    assert isinstance(done, Undone) and done.left == ("address", "filter")
    host.fails = frozenset()
    assert look(work(host)).situation == "open"
    timer(host)
    assert host.settings == OLD


def test_history_tells_each_thing_once() -> None:
    host = established()
    enacted_and_kept(host)
    enacted_in_vain(host)
    back(work(host), 1, TRIAL, fine)
    keep(work(host))
    host.rebooted()
    boot(work(host))
    told = [(e.what, e.version) for e in events_of(host.files_[f"{STATE}/history.jsonl"])]
    assert told == [
        ("enacted", 1),
        ("kept", 1),
        ("enacted", 2),
        ("kept", 2),
        ("enacted", 3),
        ("undone", 3),
        ("enacted", 1),
        ("kept", 1),
        ("restored at boot", 1),
    ]
    assert sorted(versions(work(host))) == [1, 2, 3]


def test_boot_by_hand_waits_for_a_trial_and_undoes_it_where_its_timer_died() -> None:
    host = established()
    enacted(host)
    with pytest.raises(RolloutRefused, match="is on trial"):
        boot(work(host))
    assert host.settings == NEW
    host.timer_lives = False
    assert boot(work(host)) == Booted(1)
    assert host.settings == OLD


def test_boot_brings_up_nothing_from_a_kit_that_was_tampered_with() -> None:
    host = established()
    host.files_[f"{STATE}/versions/0001/kit/settings"] += b" "
    host.rebooted()
    with pytest.raises(RolloutRefused, match="not the file that was put in place"):
        boot(work(host))
    assert host.settings == STOCK


@pytest.mark.parametrize("name", ["trial.json", "armed"])
def test_boot_brings_up_what_is_kept_whatever_became_of_a_trial(name: str) -> None:
    host = established()
    enacted(host)
    host.files_[f"{STATE}/trial/{name}"] = b'{"version"'
    host.rebooted()
    assert boot(work(host)) == Booted(1)
    assert host.settings == OLD
    assert look(work(host)).situation == "quiet"
    assert isinstance(enacted(host), Waiting)


@pytest.mark.parametrize("name", ["format", "versions/0001/version.json"])
def test_boot_brings_up_nothing_by_a_folder_that_it_does_not_understand(name: str) -> None:
    host = established()
    host.files_[f"{STATE}/{name}"] = b"{"
    host.rebooted()
    with pytest.raises(RolloutRefused, match="can't be used"):
        boot(work(host))
    assert host.settings == STOCK


def test_boot_that_fails_at_a_step_goes_no_further() -> None:
    host = established()
    host.rebooted()
    host.fails = frozenset({host.count + 1})
    with pytest.raises(EffectFailed, match="filter is set"):
        boot(work(host))
    assert host.settings["forwarding"] == "0"


def test_boot_where_nothing_of_ours_is_does_nothing() -> None:
    host = Pretended()
    assert boot(work(host)) == Booted(None)
    assert host.done == []


def test_no_change_before_the_snapshot_and_the_timer_are_there() -> None:
    host = established()
    host.done.clear()
    enacted(host)
    kinds = [getattr(effect, "path", getattr(effect, "argv", "")) for effect in host.done]
    first = next(n for n, what in enumerate(kinds) if isinstance(what, tuple))
    early = kinds[:first]
    order = ["before.json", "trial/trial.json", "trial/armed"]
    places = [next(n for n, p in enumerate(early) if str(p).endswith(name)) for name in order]
    assert places == sorted(places)


@pytest.mark.parametrize("on_trial", [False, True])
def test_a_history_that_can_not_be_read_keeps_nothing_from_being_brought_up(on_trial: bool) -> None:
    host = established()
    if on_trial:
        enacted(host)
    host.rebooted()
    reads = host.read

    def read(path: str) -> bytes | None:
        if path.endswith("history.jsonl"):
            raise EffectFailed(f"reading {path}", "Is a directory")
        return reads(path)

    host.read = read  # type: ignore[method-assign]
    assert boot(work(host)) == Booted(1)
    assert host.settings == OLD


@pytest.mark.parametrize("filtering", [True, False], ids=["before-it", "and-no-filter"])
def test_what_fails_at_boot_before_the_packet_filter_keeps_it_from_nothing(filtering: bool) -> None:
    """A machine whose addresses can't all be set is not to stand open; nothing is passed on where
    the filter itself can't be had."""
    host = established()
    host.rebooted()
    done: list[str] = []
    host.perform = lambda effect: _first_fails(done, effect)  # type: ignore[method-assign]
    names = ("addresses are added", FILTERING + ": ours", "kernel settings are made")
    steps = [Step(n, (Run((n,)),)) for n in names if filtering or not n.startswith(FILTERING)]
    with pytest.raises(EffectFailed, match="addresses are added"):
        brought_up(work(host), steps)
    assert done == (list(names[1:]) if filtering else [])


def _first_fails(done: list[str], effect: Effect) -> None:
    assert isinstance(effect, Run)
    if effect.argv[0].startswith("addresses"):
        raise EffectFailed(effect.argv[0], "no such device")
    done.append(effect.argv[0])
