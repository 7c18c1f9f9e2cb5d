"""Waiting at a terminal until a trial is over, on a pretended host whose clock the wait moves on."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from ipaddress import ip_address

import pytest

from netcharter.proofs.conversations import Again, Conversation, Ends, Judged
from netcharter.rollout.looks import look
from netcharter.rollout.store import STOCK, Paths, Trial, trial_of
from netcharter.rollout.trouble import EffectFailed
from netcharter.rollout.work import Undone, Waiting, enact, keep, timer_work, undo
from netcharter.tasks.enacting.waiting import GRACE, Over, later, waited
from tests.rollout.pretended import STATE, Pretended, making, work

NEW = {"address": "new", "filter": "new", "forwarding": "1"}
TRIAL = 300.0
ENDS = Ends(ip_address("192.0.2.1"), ip_address("192.0.2.2"), (1, 22))
TALK = Conversation(6, ENDS, ENDS)
Deed = Callable[[Pretended], object]


class Sat:
    """Somebody at a terminal: what is typed, what others do meanwhile, and what is said."""

    def __init__(self, *typed: str | Deed | None, seconds: float = TRIAL) -> None:
        self.host = Pretended()
        outcome = enact(work(self.host), making(**NEW), seconds, lambda: ())
        assert isinstance(outcome, Waiting)
        self.trial = outcome.trial
        self.typed = [*typed]
        self.said: list[str] = []

    def heard(self, seconds: float) -> str | None:
        """A line; or a second passes, in which something may happen."""
        self.host.seconds += seconds
        if not self.typed:
            return None
        each = self.typed.pop(0)
        if callable(each):
            each(self.host)
            return None
        return each

    def wait(self) -> Over:
        done = (lambda: keep(work(self.host)), self.undo)
        return waited(work(self.host), self.trial, self.heard, self.said.append, 100, *done)

    def undo(self) -> tuple[Undone | None, Again | None]:
        cut = Again(
            (Judged(TALK, "desk with booking, ssh: refused by rule 1", ("rule 1",)),), (), 3
        )
        return undo(work(self.host), "it was asked for"), cut

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def timer(host: Pretended) -> object:
    return timer_work(replace(work(host), who="undo timer"), 1, 0.0)


def test_keep_is_typed() -> None:
    sat = Sat(None, "  KEEP ")
    over = sat.wait()
    assert over.state == "kept" and "version 1 is kept" in over.lines[0]
    assert sat.host.links[f"{STATE}/kept"] == "versions/0001"
    assert sat.said == ["5 min left. Look around, then type keep or undo, and press Enter."]


def test_undo_is_typed() -> None:
    """And what was cut by it is told, as by the command of that name."""
    over = Sat("undo").wait()
    assert over.state == "undone" and "equal to before: proven" in "\n".join(over.lines)
    assert over.lines[0] == "1 open conversation cut, which it refuses:"


@pytest.mark.parametrize("line", ["", "yes", "keep it", "k", "keep\x1b[2J", "undo undo", "ke ep"])
def test_anything_else_is_asked_again(line: str) -> None:
    sat = Sat(line, None, "keep")
    assert sat.wait().state == "kept"
    assert sat.said[1:] == ["Please type keep or undo, and press Enter."]


def test_when_the_time_is_over_it_is_told_that_it_was_undone() -> None:
    sat = Sat(*[None] * 100, timer, seconds=100)
    over = sat.wait()
    assert over.state == "undone"
    assert over.lines[0] == "version 1 was undone: it was not kept in time (undo timer)"
    assert over.lines[1] == "this machine is equal to before: proven"
    assert sat.said[1:4] == ["1 min left.", "30 s left.", "10 s left."]
    assert sat.said[4:] == ["The time is over: it is being undone."]


@pytest.mark.parametrize(("deed", "state", "says"), [
    (lambda host: keep(work(host)), "kept", r"version 1 is kept, by the keeper\."),
    (lambda host: undo(work(host), "wrong socket"), "undone", r"undone: wrong socket \(the keeper\)"),
])  # fmt: skip
def test_what_is_done_from_elsewhere_ends_the_wait(deed: Deed, state: str, says: str) -> None:
    over = Sat(None, deed).wait()
    assert over.state == state and re.search(says, over.lines[0])


def test_kept_and_not_yet_tidied_is_kept() -> None:
    def half(host: Pretended) -> None:
        host.links[f"{STATE}/kept"] = "versions/0001"

    assert Sat(half).wait() == Over("kept", ("version 1 is kept.",))


def test_another_trial_in_its_place_is_not_waited_for() -> None:
    def other(host: Pretended) -> None:
        undo(work(host), "again")
        enact(work(host), making(**NEW), TRIAL, lambda: ())

    assert Sat(other).wait().state == "undone"


def test_a_keep_that_comes_too_late_is_told_and_the_wait_goes_on() -> None:
    def undoing(host: Pretended) -> None:
        path = Paths(STATE).trial_file
        host.files_[path] = host.files_[path].replace(b'"waiting"', b'"undoing"')

    sat = Sat(undoing, "keep", timer)
    assert sat.wait().state == "undone"
    assert sat.said[1] == "It is being undone."
    assert sat.said[2].startswith("refused: version 1 is being undone")


def test_without_a_timer_that_lives_the_wait_ends_all_the_same() -> None:
    sat = Sat()
    over = sat.wait()
    assert over.state == "not undone" and "netcharter undo" in over.lines[-1]
    assert TRIAL + GRACE <= sat.host.seconds - 100 <= TRIAL + GRACE + 10


def test_what_became_of_it_is_told_though_the_history_can_not_be_read() -> None:
    sat = Sat(timer, seconds=1.0)
    reads = sat.host.read

    def read(path: str) -> bytes | None:
        if path.endswith("history.jsonl"):
            raise EffectFailed(f"reading {path}", "Is a directory")
        return reads(path)

    sat.host.read = read  # type: ignore[method-assign]
    assert sat.wait() == Over("undone", ("version 1 is not in place any more.",))


def test_who_decided_is_told_though_it_is_written_a_little_later() -> None:
    missing: list[None] = []

    def kept(host: Pretended) -> None:
        keep(replace(work(host), who="somebody else"))
        missing.extend([None] * 2)

    sat = Sat(kept)
    reads = sat.host.read

    def read(path: str) -> bytes | None:
        return missing.pop() if missing and path.endswith("history.jsonl") else reads(path)

    sat.host.read = read  # type: ignore[method-assign]
    assert sat.wait() == Over("kept", ("version 1 is kept, by somebody else.",))
    assert not missing


def test_a_terminal_that_is_gone_leaves_the_timer_running() -> None:
    sat = Sat()

    def gone(seconds: float) -> str | None:
        raise EOFError

    sat.heard = gone  # type: ignore[method-assign]
    over = sat.wait()
    assert over.state == "open" and "stays on trial" in over.lines[0]
    assert over.lines[1] == "    netcharter keep --state /state"
    assert look(work(sat.host)).situation == "open"
    keep(work(sat.host))
    assert later(work(sat.host), sat.trial) == ()


def test_a_trial_file_is_still_what_it_was() -> None:
    """The pretended phases above are those that the file really has."""
    sat = Sat()
    data = sat.host.files_[Paths(STATE).trial_file]
    found: Trial = trial_of("trial.json", data.replace(b'"waiting"', b'"undoing"'))
    assert found.phase == "undoing" and found.version != STOCK
