"""Lines judged: properties under any sequence of rounds, and what single rounds come to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcharter.rollout.reading import fields, written
from netcharter.rollout.trouble import StateBroken
from netcharter.steward import nft
from netcharter.steward.duties import lines
from netcharter.steward.duties.lines import CALM, FIRST, MOST, SILENT, State, decide, duty
from netcharter.steward.shapes import CutLine, Decision, Facts, Lead, Reset, Schedule
from netcharter.steward.ways import Held, Key, Leg, Limits, Seen, Ways, asked
from tests.steward.kernel import SYNCHRONISED, at

SITE = Schedule("Hut", ZoneInfo("UTC"), {}, (), ("lo",))
BEGIN = at("2026-11-26 03:00")
EVERY = 2.0
ALL = "rule add pref 11000 lookup 100"


def leg(line: str, number: int, family: int = 4, **more: object) -> Leg:
    table = str(100 + number)
    hop = f"route replace 0.0.0.0/0 via 192.0.2.{number} dev eth{number} table {table} proto static"
    plain = Leg(
        line,
        family,
        number,
        f"eth{number}",
        table,
        targets=("198.51.100.1",),
        named=True,
        choices=(f"rule add pref {11000 + number} lookup {table}",),
        route=hop,
    )
    return replace(plain, **more)  # type: ignore[arg-type]


COPPER, MAST = leg("copper", 1), leg("mast", 2)
TWO = Ways((COPPER, MAST))


@dataclass(frozen=True)
class Round:
    """What one leg shows. answers: by target, seconds or None; None: it is not asked."""

    carrier: bool = True
    route: bool = True
    answers: Sequence[float | None] | None = (0.02,)


GOOD, DEAD, PULLED = Round(), Round(answers=(None,)), Round(carrier=False, answers=(None,))


@dataclass
class Site:
    """A steward at a kernel that does as it is told. seen: when a leg turned, and how."""

    ways: Ways = TWO
    state: State = field(default_factory=State)
    seconds: float = 0.0
    out: frozenset[Key] = frozenset()
    turned: dict[Key, list[tuple[float, bool]]] = field(default_factory=dict)
    cut: list[tuple[float, int]] = field(default_factory=list)
    last: Decision[State] | None = None

    def held(self, rounds: Mapping[Key, Round]) -> Held:
        return Held(
            {each.device: rounds[each.key].carrier for each in self.ways.legs},
            frozenset(
                (each.family, each.table, each.device)
                for each in self.ways.legs
                if rounds[each.key].route and rounds[each.key].carrier
            ),
            {
                family: frozenset(
                    asked(text)
                    for each in self.ways.of(family)
                    if each.key not in self.out
                    for text in each.choices
                )
                for family in (4, 6)
            },
        )

    def round(
        self, rounds: Mapping[Key, Round], every: float = EVERY, changing: bool = False
    ) -> Decision[State]:
        now = BEGIN + timedelta(seconds=self.seconds)
        answers = {
            each.key: dict(zip(each.targets, found, strict=True))
            for each in self.ways.legs
            if (found := rounds[each.key].answers) is not None
        }
        due = now + timedelta(seconds=every)
        seen = Seen(now, self.seconds, due, self.held(rounds), answers, changing=changing)
        schedule: Schedule = replace(SITE, ways=self.ways)
        facts = Facts(SYNCHRONISED, schedule=schedule, lines=seen)
        decision = decide(self.state, facts, now)
        for effect in decision.effects:
            if isinstance(effect, Lead):
                self.out = effect.out
            elif isinstance(effect, CutLine):
                self.cut.append((self.seconds, effect.number))
        for key, standing in decision.state.legs.items():
            before = self.state.legs.get(key)
            was_down = before is not None and before.up is False
            if was_down != (standing.up is False):
                self.turned.setdefault(key, []).append((self.seconds, standing.up is not False))
        self.state, self.last = decision.state, decision
        self.seconds += every
        return decision

    def many(self, count: int, copper: Round, mast: Round = GOOD) -> None:
        for _ in range(count):
            self.round({("copper", 4): copper, ("mast", 4): mast})

    def up(self, line: str = "copper") -> bool | None:
        return self.state.legs[(line, 4)].up

    def bad(self) -> list[str]:
        assert self.last is not None
        return [report.key for report in self.last.reports if report.bad]


# --- whatever comes ------------------------------------------------------------------------------

any_round = st.builds(
    Round,
    carrier=st.sampled_from((True, True, True, False)),
    route=st.sampled_from((True, True, True, False)),
    answers=st.one_of(st.none(), st.tuples(st.sampled_from((0.01, 0.3, None, None)))),
)
stretches = st.lists(st.tuples(any_round, any_round, st.integers(1, 40)), max_size=25)


@settings(max_examples=60, deadline=None)
@given(stretches, st.sampled_from((None, 0.2)), st.sampled_from((0.3, 0.5)))
def test_whatever_comes_no_line_flaps_and_the_last_one_stays(
    found: list[tuple[Round, Round, int]], delay: float | None, loss: float
) -> None:
    limits = Limits(EVERY, loss, delay)
    site = Site(Ways((replace(COPPER, limits=limits), replace(MAST, limits=limits))))
    for copper, mast, count in found:
        for _ in range(count):
            site.round({("copper", 4): copper, ("mast", 4): mast})
            assert site.out == site.state.out  # the kernel was told whatever was decided
            assert len(site.out) < 2
            assert all(site.state.legs[key].up is False for key in site.out)
    for turns in site.turned.values():
        assert [how for _, how in turns] == [bool(n % 2) for n in range(len(turns))]
        ups = [when for when, how in turns if how]
        downs = [when for when, how in turns if not how]
        for down, up in zip(downs, ups, strict=False):
            assert up - down >= FIRST
        for place, down in enumerate(downs[1:], 1):
            soon = down - ups[place - 1] < CALM
            if soon and place < len(ups):  # at least as long again as it took before
                wait = min(FIRST * 2 ** min(_relapses(downs, ups, place), 10), MOST)
                assert ups[place] - down >= wait


def _relapses(downs: list[float], ups: list[float], place: int) -> int:
    count = 0
    while place and downs[place] - ups[place - 1] < CALM:
        place, count = place - 1, count + 1
    return count


@settings(max_examples=25, deadline=None)
@given(stretches)
def test_whatever_was_a_line_that_is_good_for_long_comes_back(
    found: list[tuple[Round, Round, int]],
) -> None:
    site = Site()
    for copper, mast, count in found:
        site.many(count, copper, mast)
    site.many(int(MOST / EVERY) + 5, GOOD, GOOD)
    assert site.up() is not False and site.up("mast") is not False
    assert site.out == frozenset() and site.bad() == []


@settings(max_examples=25, deadline=None)
@given(stretches)
def test_what_is_on_the_disk_comes_back_the_same(found: list[tuple[Round, Round, int]]) -> None:
    site = Site()
    for copper, mast, count in found:
        site.many(count, copper, mast)
    data = written(duty().written(site.state))
    assert lines.read(fields("lines.json", data)) == site.state


@pytest.mark.parametrize("source", ["", "10.7.0.5; flush ruleset", "2001:db8::1", "10.7.0.5/27"])
def test_who_stays_is_an_address_or_all_is_begun_anew(source: str) -> None:
    """Else no turn of the duty would ever succeed again."""
    data = {**duty().written(State()), "stays": [{"number": 2, "source": source}]}
    with pytest.raises(StateBroken):
        lines.read(fields("lines.json", written(data)))


# --- one thing after the other -------------------------------------------------------------------


def well() -> Site:
    site = Site()
    site.many(5, GOOD)
    return site


def test_silence_of_three_rounds_is_a_failure_and_new_conversations_move() -> None:
    site = well()
    assert site.up() is True and site.cut == []
    site.many(SILENT - 1, DEAD)
    assert site.up() is True and site.out == frozenset()
    site.many(1, DEAD)
    assert site.up() is False and site.out == {("copper", 4)}
    assert [number for _, number in site.cut] == [1]
    assert site.bad() == ["lines/copper"]


@pytest.mark.parametrize(
    ("pulled", "why"), [(PULLED, "carrier"), (Round(route=False, answers=None), "route")]
)
def test_carrier_and_route_count_at_once(pulled: Round, why: str) -> None:
    site = well()
    site.many(1, pulled)
    assert site.up() is False and site.state.legs[("copper", 4)].why == why
    assert [number for _, number in site.cut] == [1]


def test_it_comes_back_after_a_good_while_and_later_each_time() -> None:
    site, waits = well(), []
    for _ in range(9):
        site.many(1, PULLED)
        begin = site.seconds
        while site.up() is False:
            site.many(1, GOOD)
        waits.append(site.seconds - begin - EVERY)
    assert waits == [FIRST, 40, 80, 160, 320, 640, MOST, MOST, MOST]
    site.many(int((MOST + CALM) / EVERY) + 1, GOOD)
    site.many(1, PULLED)
    assert site.state.legs[("copper", 4)].wait == FIRST


def test_where_all_look_dead_everything_stays_and_an_alarm_is_raised() -> None:
    site = well()
    site.many(4, DEAD, GOOD)
    site.many(20, DEAD, DEAD)
    assert site.out == {("copper", 4)}
    assert set(site.bad()) == {"lines/copper", "lines/mast", "lines/IPv4"}
    assert [number for _, number in site.cut] == [1]
    site.many(15, DEAD, GOOD)
    assert site.out == {("copper", 4)} and site.bad() == ["lines/copper"]


def test_a_line_whose_targets_are_silent_is_used_where_the_other_surely_leads_nowhere() -> None:
    """The target may be down itself: with the mast unplugged nothing else can be had."""
    site = well()
    site.many(4, DEAD, GOOD)
    assert site.out == {("copper", 4)}
    site.many(1, DEAD, PULLED)
    assert site.out == {("mast", 4)} and set(site.bad()) >= {"lines/copper", "lines/IPv4"}
    site.many(int(FIRST / EVERY) + 2, DEAD, GOOD)
    assert site.out == {("copper", 4)}
    site.many(2, PULLED, PULLED)  # of two that are alike it is the one that it was
    assert site.out == {("copper", 4)}
    site.many(SILENT, DEAD, PULLED)  # and its cable is there again
    assert site.out == {("mast", 4)}


def test_a_line_that_waits_for_having_been_good_does_not_wait_where_there_is_no_other() -> None:
    site = well()
    for _ in range(6):
        site.many(1, PULLED)
        while site.up() is False:
            site.many(1, GOOD)
    site.many(1, PULLED)
    site.many(int(FIRST / EVERY) + 2, GOOD)
    assert site.up() is False and site.out == {("copper", 4)}  # it flapped, and has to wait long
    site.many(1, GOOD, PULLED)
    assert site.up() is False and site.out == {("mast", 4)}
    site.many(1, PULLED, PULLED)
    assert site.out == {("mast", 4)}  # nothing is any better
    site.many(2, GOOD, PULLED)
    assert site.out == {("mast", 4)}


def test_where_all_are_bad_those_that_answer_at_all_are_used() -> None:
    site = well()
    for number in range(20):
        site.many(1, GOOD if number % 3 == 0 else DEAD, GOOD)
    assert site.state.legs[("copper", 4)].why == "loss" and site.out == {("copper", 4)}
    for number in range(5):
        site.many(1, GOOD if number % 3 == 0 else DEAD, DEAD)
    assert site.up("mast") is False and site.out == {("mast", 4)}
    site.many(6, DEAD, DEAD)
    assert site.out == {("mast", 4)}  # both are dead now: nothing moves


def test_one_target_that_is_dead_is_not_the_line() -> None:
    site = Site(Ways((replace(COPPER, targets=("198.51.100.1", "198.51.100.9")), MAST)))
    site.many(40, Round(answers=(0.01, None)))
    assert site.up() is True and site.bad() == []
    site.many(SILENT, Round(answers=(None, None)))
    assert site.up() is False


@pytest.mark.parametrize(("after", "fails"), [(0.4, True), (0.1, False)])
def test_late_answers_are_a_failure_where_the_charter_says_so(after: float, fails: bool) -> None:
    limits = Limits(EVERY, 0.5, 0.2)
    site = Site(Ways((replace(COPPER, limits=limits), MAST)))
    site.many(20, Round(answers=(after,)))
    assert (site.up() is False) is fails
    if fails:
        assert site.state.legs[("copper", 4)].why == "delay"
        site.many(30, Round(answers=(0.18,)))  # under the limit, and not yet good
        assert site.up() is False
        site.many(30, Round(answers=(0.1,)))
        assert site.up() is True


def test_a_next_hop_that_never_answered_says_nothing_and_is_told() -> None:
    site = Site(Ways((replace(COPPER, named=False), MAST)))
    site.many(30, DEAD)
    assert site.up() is None and site.out == frozenset()
    assert site.bad() == ["lines/copper IPv4 target"]
    site.many(1, GOOD)
    assert site.up() is True and site.bad() == []
    site.many(SILENT, DEAD)
    assert site.up() is False


def test_a_line_without_targets_is_watched_by_carrier_and_route() -> None:
    site = Site(Ways((replace(COPPER, targets=()), MAST)))
    site.many(1, Round(answers=()))
    assert site.up() is True
    site.many(1, Round(carrier=False, answers=()))
    assert site.up() is False
    site.many(11, Round(answers=None))
    assert site.up() is True


def test_at_the_start_it_is_as_the_kernel_has_it() -> None:
    site = Site(out=frozenset({("copper", 4)}))
    site.many(1, GOOD)
    assert site.up() is False and site.out == {("copper", 4)} and site.cut == [(0.0, 1)]
    site.many(11, GOOD)
    assert site.up() is True and site.out == frozenset()


def test_what_others_do_to_the_rules_is_put_right() -> None:
    site = well()
    site.many(SILENT, DEAD)
    site.out = frozenset()  # a kit was put in place
    site.many(1, DEAD)
    assert site.out == {("copper", 4)}
    assert [number for _, number in site.cut] == [1, 1]  # what began there meanwhile, too
    site.many(1, DEAD)
    assert len(site.cut) == 2
    site.out = frozenset({("mast", 4)})
    site.many(1, DEAD)
    assert site.out == {("copper", 4)}


def test_while_the_machine_is_changed_no_line_is_judged() -> None:
    site = well()
    before = site.state
    for _ in range(SILENT):
        site.round(
            {("copper", 4): Round(route=False, answers=(None,)), ("mast", 4): PULLED}, changing=True
        )
    assert site.state == before and site.bad() == [] and site.cut == []
    site.many(1, PULLED)
    assert site.up() is False


def test_an_automatic_line_need_not_have_both_versions() -> None:
    auto4 = replace(MAST, route="", targets=(), table="main")
    ways = Ways((COPPER, auto4, replace(auto4, family=6)))
    site = Site(ways)
    none6 = {("copper", 4): GOOD, ("mast", 4): Round(answers=()), ("mast", 6): Round(route=False)}
    none6[("mast", 6)] = Round(route=False, answers=())
    for _ in range(5):
        site.round(none6)
    assert site.bad() == [] and site.out == frozenset()
    none4 = {**none6, ("mast", 4): Round(route=False, answers=())}
    site.round(none4)
    assert site.bad() == ["lines/mast"] and site.out == {("mast", 4)}


def test_families_are_judged_apart() -> None:
    ways = Ways((COPPER, MAST, leg("copper", 1, 6), leg("mast", 2, 6)))
    site = Site(ways)
    rounds = dict.fromkeys((each.key for each in ways.legs), GOOD)
    for _ in range(5):
        site.round(rounds)
    for _ in range(SILENT):
        site.round({**rounds, ("copper", 6): DEAD})
    assert site.out == {("copper", 6)} and site.bad() == ["lines/copper"]
    assert site.last is not None
    (text,) = (report.text for report in site.last.reports if report.bad)
    assert "IPv6" in text and "IPv4" not in text


def test_the_status_has_each_line() -> None:
    site = well()
    site.many(SILENT, DEAD)
    assert site.last is not None
    told = {(one["line"], one["family"]): one for one in site.last.tells}
    copper, mast = told[("copper", "IPv4")], told[("mast", "IPv4")]
    assert (copper["state"], copper["why"], copper["used"]) == (
        "down",
        "nobody answers there",
        False,
    )
    assert (copper["loss"], copper["delay"]) == (38, 20)  # three of eight
    assert (mast["state"], mast["why"], mast["used"], mast["loss"]) == ("up", None, True, 0)


def test_without_a_kit_nothing_is_judged() -> None:
    decision = decide(State(), Facts(SYNCHRONISED), BEGIN)
    assert decision.effects == () and decision.state == State() and decision.wake > BEGIN


def done(site: Site, decision: Decision[State], count: int) -> None:
    """The first of the effects of a decision, and no more: the steward is killed then."""
    for effect in decision.effects[:count]:
        if isinstance(effect, Lead):
            site.out = effect.out
        elif isinstance(effect, CutLine):
            site.cut.append((site.seconds, effect.number))


@pytest.mark.parametrize("count", range(3))
def test_what_a_killed_steward_has_not_done_is_done_by_the_next(count: int) -> None:
    """Told the kernel, cut, written down at the end: after the first, the second, or before both."""
    before = well()
    before.round({("copper", 4): PULLED, ("mast", 4): GOOD})
    decision = before.last
    assert decision is not None and decision.intent is not None
    assert [type(effect) for effect in decision.effects] == [Lead, CutLine]
    again = Site()
    done(again, decision, count)
    on_disk = written(duty().written(decision.intent))
    again.state = lines.read(fields("lines.json", on_disk))
    begun = len(again.cut)
    again.many(1, GOOD)  # the cable is there again already
    assert again.out == {("copper", 4)}  # and the line has to be good for a while
    assert len(again.cut) == begun + 1 and len(again.cut) in (1, 2)
    again.many(3, GOOD)
    assert len(again.cut) == begun + 1
    assert not lines.read(fields("lines.json", written(duty().written(again.state)))).owed


def test_whose_conversations_are_reset_is_told_and_told_again_until_the_line_is_back() -> None:
    told: list[tuple[float, tuple[int, ...]]] = []
    site = Site(replace(TWO, gone={4: "nc_gone4"}))

    def many(count: int, copper: Round) -> None:
        for _ in range(count):
            decision = site.round({("copper", 4): copper, ("mast", 4): GOOD})
            kinds = [type(effect).__name__ for effect in decision.effects]
            if "Reset" in kinds:
                sets = [effect.sets for effect in decision.effects if isinstance(effect, Reset)]
                told.append((site.seconds - EVERY, sets[0][0][1]))
                # Who dials anew is to find another line; and when it is back, this one.
                wanted = ["Lead", "Reset", "CutLine"] if len(told) == 1 else ["Reset", "Lead"]
                assert [kind for kind in wanted if kind in kinds] == kinds

    many(3, GOOD)
    assert told == []
    many(70, PULLED)
    many(20, GOOD)
    times = [when for when, _ in told]
    assert [numbers for _, numbers in told] == [(1,)] * (len(told) - 1) + [()]
    # Three times before the kernel forgets them, so that two may be lost.
    assert times[0] == 3 * EVERY and all(3 * (b - a) <= nft.RESET + 6 for a, b in pairwise(times))
    assert all(b - a >= 10 for a, b in pairwise(times[:-1]))


def test_what_the_kernel_forgets_is_told_again_where_lines_are_asked_once_a_minute() -> None:
    """A charter may have its lines asked every 60 s; what is told lasts half a minute, or one."""
    site = Site(replace(TWO, gone={4: "nc_gone4"}))
    rounds = {("copper", 4): PULLED, ("mast", 4): GOOD}
    decision = site.round(rounds, every=60.0)
    assert 2 * (decision.wake - BEGIN).total_seconds() < min(nft.RESET, nft.STAYING)
    site.seconds = (decision.wake - BEGIN).total_seconds()
    effects = site.round(rounds, every=60.0).effects
    assert [type(effect).__name__ for effect in effects] == ["Reset"]
    plain = Site().round({("copper", 4): GOOD, ("mast", 4): GOOD}, every=60.0)
    assert plain.wake == BEGIN + timedelta(seconds=60)


def test_no_line_is_reset_for_the_number_that_another_had() -> None:
    """A version that comes may number them otherwise: nothing is told while it comes, and all at once
    when it stands, or where it came unseen between two rounds."""
    site = Site(replace(TWO, gone={4: "nc_gone4"}))
    rounds = {("copper", 4): PULLED, ("mast", 4): GOOD}

    def told(changing: bool = False) -> list[tuple[int, ...]]:
        effects = site.round(rounds, changing=changing).effects
        return [effect.sets[0][1] for effect in effects if isinstance(effect, Reset)]

    assert told() == [(1,)]
    assert [told(changing=True) for _ in range(8)] == [[]] * 8
    assert [told(), told()] == [[(1,)], []]
    swapped = (replace(MAST, number=1), replace(COPPER, number=2))
    site.ways = replace(site.ways, legs=swapped)
    assert [told(), told()] == [[(2,)], []]


def test_a_state_of_before_owes_nothing() -> None:
    data = written({k: v for k, v in duty().written(State()).items() if k != "owed"})
    assert lines.read(fields("lines.json", data)) == State()


def test_a_device_that_is_missing_is_told_as_such() -> None:
    """As that of a PPPoE session that has ended."""
    site = Site(Ways((replace(COPPER, device="ppp1"), MAST)))
    site.many(3, GOOD)
    held = site.held
    site.held = lambda rounds: replace(  # type: ignore[method-assign]
        held(rounds), carrier={"eth2": True}, routes=frozenset({(4, "102", "eth2")})
    )
    site.many(1, GOOD)
    assert site.last is not None
    (text,) = [report.text for report in site.last.reports if report.key == "lines/copper"]
    assert text.startswith("line copper has failed for IPv4: its device is missing; new")


def test_rounds_are_not_worth_a_place_on_the_disk() -> None:
    site = well()
    before = site.state
    site.many(3, GOOD)
    assert site.state == before
    site.many(1, PULLED)
    assert site.state != before


def test_whom_an_exit_now_refuses_is_told_with_the_line() -> None:
    both = frozenset({"copper", "mast"})
    site = Site(replace(TWO, bound=(("exit 1", frozenset({"copper"})), ("exit 2", both))))
    site.many(6, GOOD)
    site.many(20, DEAD)
    assert site.last is not None
    (text,) = [report.text for report in site.last.reports if report.key == "lines/copper"]
    assert text.endswith("but those of exit 1 are refused: that takes no other line")
    assert "exit 2" not in text
