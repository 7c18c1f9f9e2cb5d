"""Enact, keep, undo, boot and the timer on a pretended host, killed and failing at every effect."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import copy
from dataclasses import fields

import pytest

from netcharter.rollout.host import Files
from netcharter.rollout.looks import free, look, made, versions
from netcharter.rollout.shapes import FILTERING, Effect, Folder, HostState, Run, Step
from netcharter.rollout.store import STOCK as STOCKED
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
    timer_look,
    timer_work,
    undo,
)
from tests.rollout.pretended import STATE, STOCK, Died, Pretended, Side, kit, making, work

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


def test_who_refuses_when_it_is_too_late_is_told_that_it_was_undone() -> None:
    host = established()

    def refuses() -> tuple[str, ...]:
        raise RolloutRefused("version 2 can't be read", "put it back from a copy")

    assert enact(work(host), making(**NEW), TRIAL, refuses) == Undone(2, "version 2 can't be read")
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
    assert boot(work(host)) == Booted(1, (), Undone(2, "its undo timer had died"))
    assert host.settings == OLD


def test_boot_tells_what_is_left_of_a_trial_that_it_undid() -> None:
    """Nothing is kept, so that nothing else makes good what could not be undone."""
    host = Pretended()
    enacted(host)
    host.timer_lives = False
    host.fails = frozenset(range(host.count, host.count + 1000))
    found = boot(work(host))
    assert found.version is None and found.undone is not None
    assert found.undone.left == ("address", "filter", "forwarding")


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
    found = boot(work(host))
    assert (found.version, found.left, found.undone) == (1, (), None)
    assert f"trial/{name} in the state folder can't be used" in found.notes[0]
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
    without_history(host)
    found = boot(work(host))
    assert found.version == 1 and "Is a directory" in found.notes[0]
    assert host.settings == OLD


def without_history(host: Pretended) -> None:
    reads = host.read

    def read(path: str) -> bytes | None:
        if path.endswith("history.jsonl"):
            raise EffectFailed(f"reading {path}", "Is a directory")
        return reads(path)

    host.read = read  # type: ignore[method-assign]


UNTOLD = "what happened can't be told in the history: reading /state/history.jsonl: Is a directory"


def test_where_the_history_can_not_be_read_what_was_done_is_told_all_the_same() -> None:
    host = established()
    enacted(host)
    without_history(host)
    assert undo(work(host), "no longer wanted") == Undone(2, "no longer wanted", (), (UNTOLD,))
    assert host.settings == OLD and look(work(host)).trial is None

    host = established()
    enacted(host)
    without_history(host)
    assert keep(work(host)) == Kept(2, (UNTOLD,))
    assert host.links[f"{STATE}/kept"] == "versions/0002" and look(work(host)).trial is None

    host = established()
    without_history(host)
    with pytest.raises(RolloutRefused, match="Is a directory; nothing was changed"):
        enacted(host)
    assert host.settings == OLD and look(work(host)).trial is None


# --- judged and in place ------------------------------------------------------------------------


def test_what_was_judged_against_another_version_than_is_kept_by_now_is_refused() -> None:
    host = established()
    then = free(work(host))
    enacted_and_kept(host)
    with pytest.raises(RolloutRefused, match="version 2 was kept meanwhile; .* against version 1"):
        enact(work(host), making(**OLD), TRIAL, fine, then)
    with pytest.raises(RolloutRefused, match="version 2 was kept meanwhile"):
        back(work(host), 1, TRIAL, fine, judged=then)
    assert host.settings == NEW and look(work(host)).trial is None
    assert isinstance(enact(work(host), making(**OLD), TRIAL, fine, free(work(host))), Waiting)


def test_before_anything_is_judged_it_is_told_who_has_something_on_trial() -> None:
    host = established()
    enacted(host)
    with pytest.raises(RolloutRefused, match="version 2 is on trial: the keeper put it in place"):
        free(work(host))


def test_what_is_prepared_is_prepared_under_the_lock_and_may_refuse() -> None:
    host = established()

    def prepare() -> None:
        assert host.held
        raise RolloutRefused("no packet of your session was seen", "press a key")

    with pytest.raises(RolloutRefused, match="no packet"):
        enact(work(host), making(**NEW), TRIAL, fine, prepare=prepare)
    assert host.settings == OLD and sorted(versions(work(host))) == [1]


@pytest.mark.parametrize("act", [enacted, gone_back_to_stock, boot], ids=lambda act: act.__name__)
def test_what_a_killed_enact_left_besides_is_swept_away(act: Callable[..., object]) -> None:
    host = established()
    host.watched = True
    act(work(host) if act is boot else host)
    assert not host.watched


@pytest.mark.parametrize("act", [undo, keep], ids=lambda act: act.__name__)
def test_and_by_what_ends_its_trial(act: Callable[..., object]) -> None:
    host = established()
    enacted(host)
    host.watched = True
    act(work(host))
    assert not host.watched


def test_what_was_changed_meanwhile_is_not_kept() -> None:
    host = established()
    enacted(host)
    host.settings["filter"] = "flushed"
    with pytest.raises(RolloutRefused, match="no longer in place as planned.*filter.*on trial"):
        keep(work(host))
    assert look(work(host)).kept == 1
    asked: list[int] = []

    def led(number: int, files: Files, now: HostState) -> Files:
        asked.append(number)
        return kit(**{**NEW, "filter": "flushed"})

    other = Pretended(**{f.name: copy(getattr(host, f.name)) for f in fields(host)})
    assert keep(work(other), led) == Kept(2), "as the steward leads it"
    host.settings["filter"] = "new"
    assert keep(work(host), led) == Kept(2)
    assert asked == [2], "only where it is otherwise"


def test_what_comes_is_put_in_place_as_the_host_has_it_just_now() -> None:
    """As where a line is out: the kit is asked for as it is to be there, and put aside as it is."""
    host = established()
    asked: list[int] = []

    def led(number: int, files: Files, now: HostState) -> Files:
        assert dict(now.settings) == host.settings
        asked.append(number)
        return kit(**{**json.loads(files["settings"]), "filter": "led"})

    assert isinstance(enact(work(host), making(**NEW), TRIAL, fine, led=led), Waiting)
    assert host.settings["filter"] == "led"
    assert made(work(host), 2).files == making(**NEW).files
    assert keep(work(host), led) == Kept(2)
    assert isinstance(back(work(host), 1, TRIAL, fine, led=led), Waiting)
    assert host.settings["filter"] == "led" and asked == [2, 2, 1]


def test_what_nobody_can_compare_any_more_is_not_kept() -> None:
    host = established()
    assert isinstance(enacted(host), Waiting)
    del host.files_[work(host).paths.placed]
    with pytest.raises(RolloutRefused, match="was not put aside"):
        keep(work(host))
    assert host.links["/state/kept"] == "versions/0001"


def test_the_host_without_any_is_kept_only_as_it_was() -> None:
    """Not our own table alone: whatever it had before."""
    host = established()
    assert isinstance(back(work(host), STOCKED, TRIAL, fine), Waiting)
    host.settings["address"] = "somebody's"
    with pytest.raises(RolloutRefused, match="address"):
        keep(work(host))
    host.settings["address"] = STOCK["address"]
    assert keep(work(host)).version == STOCKED


def test_what_else_came_meanwhile_keeps_it_from_being_kept() -> None:
    host = established()
    enacted(host)
    with pytest.raises(RolloutRefused, match="no longer in place as planned.*a rule of others, 2"):
        keep(work(host), besides=lambda number: (f"a rule of others, {number}",))
    assert look(work(host)).kept == 1 and keep(work(host)) == Kept(2)


def test_a_kept_version_is_gone_back_from_only_as_a_whole() -> None:
    """On the way to the host without any of ours nobody else looks whether it is as it was."""
    host = established()
    host.perform = without_filter(host)  # type: ignore[method-assign, assignment]
    done = back(work(host), STOCKED, TRIAL, fine)
    assert isinstance(done, Undone) and "it is not what was planned: filter" in done.why


def without_filter(host: Pretended) -> Callable[[Effect], None]:
    performs = host.perform

    def perform(effect: Effect) -> None:
        if isinstance(effect, Run) and effect.argv[1:] == ("filter", STOCK["filter"]):
            return
        performs(effect)

    return perform


def test_before_the_lock_nothing_but_the_folder_for_it_is_made() -> None:
    """Else several at once write the same file, and one takes the other's away."""
    host, early = Pretended(), []
    performs = host.perform

    def perform(effect: Effect) -> None:
        if not host.held:
            early.append(effect)
        performs(effect)

    host.perform = perform  # type: ignore[method-assign]
    assert isinstance(enacted(host), Waiting)
    assert early == [Folder(STATE)]
    assert {f"{STATE}/format", f"{STATE}/history.jsonl"} <= host.files_.keys()


# --- back ---------------------------------------------------------------------------------------


def kept_in_turn(*settings: dict[str, str]) -> Pretended:
    host = Pretended()
    for each in settings:
        assert isinstance(enact(work(host), making(**each), TRIAL, fine), Waiting)
        keep(work(host))
    return host


def went_back(host: Pretended, number: int | None = None) -> int:
    found = back(work(host), number, TRIAL, fine, difference="closed 7 connections")
    assert isinstance(found, Waiting)
    keep(work(host))
    return found.trial.version


def test_back_leads_to_what_was_kept_just_before_in_whichever_order() -> None:
    host = kept_in_turn(OLD, NEW, OLD)
    assert went_back(host, 1) == 1
    assert went_back(host) == 3, "what stood before, not what stood when version 1 was made"
    assert went_back(host) == 1, "and forth again"
    assert went_back(host, STOCKED) == 0
    assert host.settings == STOCK
    assert went_back(host) == 1


def test_every_kept_version_knows_what_the_host_was_like_without_any() -> None:
    host = kept_in_turn(OLD, NEW)
    before = [host.files_[f"{STATE}/versions/{n:04}/before.json"] for n in (1, 2)]
    assert before[0] == before[1]
    del host.files_[f"{STATE}/versions/0002/before.json"]  # as an older program left it
    assert went_back(host, STOCKED) == 0
    host = kept_in_turn(OLD)
    del host.files_[f"{STATE}/versions/0001/before.json"]
    with pytest.raises(RolloutRefused, match="before netcharter was not put aside"):
        back(work(host), STOCKED, TRIAL, fine)


def test_the_history_tells_what_going_back_changed() -> None:
    host = kept_in_turn(OLD, NEW)
    went_back(host)
    told = events_of(host.files_[f"{STATE}/history.jsonl"])
    assert [e.difference for e in told if e.what == "enacted"][-1] == "closed 7 connections"


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


class Stubborn(Pretended):
    """A host that takes an address, and never gives it up again."""

    def _do(self, effect: Effect) -> None:
        if effect != Run(("set", "address", "old")):
            super()._do(effect)


def test_what_can_not_be_undone_ends_when_the_timer_has_given_up_and_somebody_undoes_it() -> None:
    host = Stubborn(**{each.name: getattr(established(), each.name) for each in fields(Pretended)})
    host.done = []
    enacted(host)
    assert host.timer_lives
    first = undo(work(host))
    assert first is not None and (first.left, first.over) == (("address",), False)
    with pytest.raises(RolloutRefused):
        enacted(host)
    host.timer_lives = False
    second = undo(work(host))
    assert second is not None and (second.left, second.over) == (("address",), True)
    assert look(work(host)).situation == "quiet"
    *_, one, other = events_of(host.files_[f"{STATE}/history.jsonl"])
    assert [one.what, other.what] == ["not undone", "undone"] and other.difference == "address"
