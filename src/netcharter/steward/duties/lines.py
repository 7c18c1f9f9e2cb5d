"""Lines: whether each works, and by which of them new conversations leave.

Every line is judged for itself in each IP version, from what its targets answer over the last
rounds. A target is bad that answers too little or too late, and a line fails where all its targets
are bad, or at once where it has no carrier or no route. A next hop that nobody named need not
answer at all; so it only counts once it has. A line that failed comes back after it was good for a
while, and for twice as long each time it fails again soon.

The last line is never taken away: where all look dead, those that still answer a little are used,
or else everything stays where it was, unless that is surely dead and another may not be.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from ipaddress import IPv4Address
from statistics import median
from typing import Literal, get_args

from netcharter.rollout.reading import Fields
from netcharter.steward import fading, staying
from netcharter.steward.alarms import instant, stamp
from netcharter.steward.shapes import (
    CutLine,
    Decision,
    Duty,
    Effect,
    Facts,
    Fade,
    Lead,
    Report,
    Reset,
    Stay,
)
from netcharter.steward.staying import Stays
from netcharter.steward.ways import Key, Leg, Seen, Ways, amiss, found_by, inside, routed

NAME = "lines"
Why = Literal["", "device", "carrier", "route", "silent", "loss", "delay", "found"]
NOW = ("device", "carrier", "route")  # reasons that count at once
POOR = ("loss", "delay")  # of a line that answers all the same
IDLE = timedelta(seconds=10)  # until the next look, where there is nothing to watch
# Common practice, no source.
WINDOW = 10  # rounds that count
FEWEST = 5  # of them, before loss and delay are judged
SILENT = 3  # rounds in a row without any answer
EASE = (0.5, 0.8)  # of loss and delay, where a line that failed is good again
FIRST, MOST = 20.0, 900.0  # seconds that it has to be good
RENEWED = 10.0  # seconds until the kernel is told again whose conversations to reset
CALM = 600.0  # seconds beyond them, after which another failure is one for itself
Round = Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class Condition:
    """How a leg stands. up: None while that is not known, which counts as up; since: when that
    changed; wait: seconds that it has to be good before it comes back; heard: targets that have
    answered. Not kept on the disk: rounds, the last ones; fresh: those of them by which a line that
    failed is judged; good, back: seconds from boot, since when it is good and when it came back."""

    up: bool | None
    since: datetime
    why: Why = ""
    wait: float = FIRST
    heard: frozenset[str] = frozenset()
    rounds: tuple[Round, ...] = field(default=(), compare=False)
    fresh: int = field(default=0, compare=False)
    good: float | None = field(default=None, compare=False)
    back: float | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class State:
    """out: the legs that new conversations are kept from; owed: those of them whose conversations an
    earlier steward may not have cut. Not kept on the disk: reset, whose TCP conversations the kernel
    was last told to reset, and when, in seconds from boot."""

    legs: Mapping[Key, Condition] = field(default_factory=dict)
    out: frozenset[Key] = frozenset()
    stays: Stays = field(default_factory=dict)
    owed: frozenset[Key] = frozenset()
    reset: tuple[float, Reset] | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Worth:
    """What a target, or the best one, is worth. loss: share of questions without answer; delay:
    seconds, None: it never answered."""

    loss: float
    delay: float | None


def decide(state: State, facts: Facts, now: datetime) -> Decision[State]:
    """Judge every line, and say what the kernel is to be told. Where others have put back the rules of
    a line that failed, what began there meanwhile is cut as well."""
    seen = facts.lines
    if facts.schedule is None or seen is None:
        return Decision(State(), (), now + IDLE)
    ways = facts.schedule.ways
    legs = {leg.key: _judged(state.legs.get(leg.key), leg, seen) for leg in ways.legs}
    out = frozenset(key for v in (4, 6) for key in out_of(ways, v, legs, state.out, seen.at))
    stays, kept = staying.decided(state.stays, ways, state.out, out, seen)
    effects: list[Effect] = [*kept]
    if ways.gone and state.out - out:
        effects.append(_reset(ways, state.out & out))
    if amiss(ways, out, seen.held):
        effects.append(Lead(out))
    hosts = fading.faded(ways, failed(legs), out)
    if fading.amiss(ways, hosts, seen.prefixes):
        effects.append(Fade(hosts))
    cut = [
        leg
        for leg in ways.legs
        if leg.key in out
        and (leg.key not in state.out or leg.key in state.owed or found_by(leg, seen.held))
    ]
    told = _told_anew(state, ways, out, seen, bool(cut))
    effects += [told[1]] if told is not None and told is not state.reset else []
    effects += [CutLine(leg.line, leg.number, leg.family, leg.device, leg.network) for leg in cut]
    after = State(legs, out, stays, reset=told)
    reports = tuple(_reports(ways, after, seen))
    intent = None
    if any(not isinstance(effect, Stay | Reset) for effect in effects):
        owed = frozenset(leg.key for leg in cut)
        intent = replace(after, stays=_still(state.stays, stays, ways, out), owed=owed)
    wake = _wake(ways, after, seen)
    return Decision(after, tuple(effects), wake, reports, tuple(_told(ways, after)), intent)


def _wake(ways: Ways, after: State, seen: Seen) -> datetime:
    """What the kernel forgets by itself is told again in time, however seldom lines are asked."""
    soon = seen.began + timedelta(seconds=RENEWED)
    return min(seen.due, soon) if after.stays or (ways.gone and after.out) else seen.due


def _told_anew(
    state: State, ways: Ways, out: frozenset[Key], seen: Seen, cut: bool
) -> tuple[float, Reset] | None:
    """Whose conversations the kernel has been told to reset, and when; now, where that is due.

    While somebody leads the machine to another version nothing is told, since a line may have the
    number of another there; but at once when he is done, for nobody carries over what was said."""
    if not (ways.gone and out) or seen.changing:
        return None
    before, reset = state.reset, _reset(ways, out)
    fresh = before is not None and before[1] == reset and seen.at - before[0] < RENEWED
    return before if fresh and not cut else (seen.at, reset)


def _reset(ways: Ways, out: frozenset[Key]) -> Reset:
    return Reset(
        tuple(
            (name, tuple(leg.number for leg in ways.of(family) if leg.key in out))
            for family, name in ways.gone.items()
        )
    )


def _still(before: Stays, after: Stays, ways: Ways, out: frozenset[Key]) -> Stays:
    """Who was let go is cut, and stays until that is done."""
    dead = {leg.number for leg in ways.of(4) if leg.key in out}
    return {**{who: one for who, one in before.items() if who[0] not in dead}, **after}


def failed(legs: Mapping[Key, Condition]) -> frozenset[Key]:
    """The legs that do not work, whether or not there is another to take."""
    return frozenset(key for key, now in legs.items() if now.up is False)


def out_of(
    ways: Ways,
    family: int,
    legs: Mapping[Key, Condition],
    before: frozenset[Key],
    at: float,
) -> frozenset[Key]:
    """The legs of an IP version that new conversations are kept from; never all of them. at: seconds
    from boot.

    Where all have failed, whatever carries something is used, and one that only waits for having
    been good long enough. Else all stays as it was, but nobody is left to a line that surely leads
    nowhere while another may lead somewhere: that its targets are silent can be theirs.
    """
    every = frozenset(leg.key for leg in ways.of(family))
    down = frozenset(key for key in every if legs[key].up is False)
    if down != every:
        return down
    carrying = frozenset(key for key in every if _carries(legs[key], at))
    if carrying:
        return every - carrying
    hopeful = frozenset(key for key in every if _may_carry(legs[key])) or every
    stay = before & hopeful
    return every - hopeful | (stay if stay != hopeful else frozenset())


def _carries(now: Condition, at: float) -> bool:
    """Whether a line that failed carries something all the same."""
    return now.why in POOR or (now.good is not None and at - now.good >= FIRST)


def _may_carry(now: Condition) -> bool:
    return now.why not in NOW or now.good is not None


# --- one line ------------------------------------------------------------------------------------


def _judged(before: Condition | None, leg: Leg, seen: Seen) -> Condition:
    """While somebody changes the machine its routes come and go, and tell nothing of a line."""
    if before is not None and seen.changing:
        return before
    if before is None:
        there = inside(leg, seen.held) is not False
        before = Condition(None, seen.began) if there else Condition(False, seen.began, "found")
    asked = {t: after for t, after in seen.asked.get(leg.key, {}).items() if t in leg.targets}
    now = before
    if asked:
        came = {target for target, after in asked.items() if after is not None}
        # A next hop that answers for the first time is not blamed for its silence until then.
        earlier = before.rounds if leg.named or came <= before.heard else ()
        now = replace(
            before,
            rounds=(*earlier, asked)[-WINDOW:],
            heard=before.heard & set(leg.targets) | came,
            fresh=min(before.fresh + 1, WINDOW),
        )
    gone = _gone(leg, seen) or _silent(leg, now)
    if now.up is False:
        return _failed(now, leg, seen, gone)
    why = gone or _poor(leg, now)
    if why:
        soon = now.back is not None and seen.at - now.back < now.wait + CALM
        wait = min(2 * now.wait, MOST) if soon else FIRST
        failed = replace(now, up=False, since=seen.began, why=why, wait=wait)
        return replace(failed, fresh=0, good=None, back=None)
    if now.up is None and (now.heard or not leg.targets):
        return replace(now, up=True)
    return now


def _failed(now: Condition, leg: Leg, seen: Seen, gone: Why) -> Condition:
    """A line that failed: it gets worse, is good from now on, or comes back."""
    why = gone if gone and (now.why in (*POOR, *NOW) or gone in NOW) else now.why
    fine = _recovers(leg, now)
    if gone or fine is False:
        return replace(now, why=why, fresh=0, good=None)
    if fine is None:
        return now
    good = seen.at if now.good is None else now.good
    if seen.at - good < now.wait or (counting(leg, now) and now.fresh < SILENT):
        return replace(now, good=good)
    back = replace(now, up=True, since=seen.began, why="", good=None, back=seen.at)
    return replace(back, rounds=now.rounds[-now.fresh :] if now.fresh else ())


def _gone(leg: Leg, seen: Seen) -> Why:
    if leg.device not in seen.held.carrier:
        return "device"
    if not seen.held.carrier[leg.device]:
        return "carrier"
    return "" if routed(leg, seen.held) else "route"


def counting(leg: Leg, now: Condition) -> tuple[str, ...]:
    """The targets whose silence means something."""
    return tuple(t for t in leg.targets if leg.named or t in now.heard)


def _silent(leg: Leg, now: Condition) -> Why:
    last, targets = now.rounds[-SILENT:], counting(leg, now)
    heard = any(one.get(target) is not None for one in last for target in targets)
    return "silent" if targets and len(last) == SILENT and not heard else ""


def worth(rounds: tuple[Round, ...], target: str) -> Worth | None:
    """What a target is worth over some rounds; None where it was never asked."""
    answers = [one[target] for one in rounds if target in one]
    if not answers:
        return None
    came = [one for one in answers if one is not None]
    return Worth(1 - len(came) / len(answers), median(came) if came else None)


def best(leg: Leg, now: Condition) -> Worth | None:
    """What the best target is worth."""
    found = [one for target in leg.targets if (one := worth(now.rounds, target)) is not None]
    return min(found, key=lambda one: (one.loss, one.delay or 0.0), default=None)


def _poor(leg: Leg, now: Condition) -> Why:
    """Whether all targets are bad, and how the best one of them is."""
    if len(now.rounds) < FEWEST:
        return ""
    found = [_bad(leg, worth(now.rounds, target), 1.0, 1.0) for target in counting(leg, now)]
    return "" if not all(found) else "delay" if "delay" in found else "loss" if found else ""


def _recovers(leg: Leg, now: Condition) -> bool | None:
    """Whether one target is good again; None: nobody was asked yet."""
    targets = counting(leg, now)
    if not targets:
        return True
    if not now.fresh:
        return None
    rounds = now.rounds[-now.fresh :]
    return not all(_bad(leg, worth(rounds, target), *EASE) for target in targets)


def _bad(leg: Leg, found: Worth | None, loss: float, delay: float) -> Why:
    limits = leg.limits
    if found is None or found.delay is None or found.loss > loss * limits.loss:
        return "loss"
    late = limits.delay is not None and found.delay > delay * limits.delay
    return "delay" if late else ""


# --- told ----------------------------------------------------------------------------------------

_WORDS: Mapping[Why, str] = {
    "": "",
    "device": "its device is missing",
    "carrier": "it has no carrier",
    "route": "it has no default route",
    "silent": "nobody answers there",
    "loss": "too many questions stay unanswered",
    "delay": "answers take too long",
    "found": "the rules that lead there were missing",
}


def _reports(ways: Ways, state: State, seen: Seen) -> Iterator[Report]:
    for line in dict.fromkeys(leg.line for leg in ways.legs):
        yield _of_line(ways, line, [leg for leg in ways.legs if leg.line == line], state)
    for family in (4, 6):
        legs = ways.of(family)
        if len(legs) > 1:
            yield _of_all(family, legs, state)
    for leg in ways.legs:
        if leg.targets and not leg.named:
            yield _unheard(leg, state.legs[leg.key])
    yield Report("lines/asking", bool(seen.fault), seen.fault or "lines are asked again")


def _down(legs: list[Leg], state: State) -> list[Leg]:
    """The legs that failed and are worth telling: a line that learns its routes need not learn them
    for each IP version."""
    works = any(state.legs[leg.key].up is not False for leg in legs)
    failed = [leg for leg in legs if state.legs[leg.key].up is False]
    return [
        leg for leg in failed if not (works and leg.learns and state.legs[leg.key].why == "route")
    ]


def _of_line(ways: Ways, line: str, legs: list[Leg], state: State) -> Report:
    failed = _down(legs, state)
    versions = " and ".join(f"IPv{leg.family}" for leg in failed)
    reasons = "; ".join(dict.fromkeys(_WORDS[state.legs[leg.key].why] for leg in failed))
    elsewhere = any(leg.key in state.out for leg in failed)
    rest = "new conversations take others" if elsewhere else "there is no other to take"
    refused = [name for name, lines in ways.bound if line in lines and _left(ways, lines, state)]
    if refused:
        rest += f", but those of {', '.join(refused)} are refused: that takes no other line"
    text = f"line {line} has failed for {versions}: {reasons}; {rest}"
    fine = f"line {line} works"
    return Report(f"lines/{line}", bool(failed), text if failed else fine, "urgent", versions)


def _left(ways: Ways, lines: frozenset[str], state: State) -> bool:
    """Whether no new conversation goes by any of these lines in IPv4, for which exits choose."""
    legs = [leg for leg in ways.of(4) if leg.line in lines]
    return all(leg.key in state.out for leg in legs)


def _of_all(family: int, legs: tuple[Leg, ...], state: State) -> Report:
    dead = not any(state.legs[leg.key].up is not False for leg in legs)
    told = any(not leg.learns or state.legs[leg.key].why != "route" for leg in legs)
    used = ", ".join(leg.line for leg in legs if leg.key not in state.out)
    text = f"no line seems to work for IPv{family}; new conversations are left to {used}"
    fine = f"IPv{family} has a line that works"
    return Report(f"lines/IPv{family}", dead and told, text if dead else fine, "urgent")


def _unheard(leg: Leg, now: Condition) -> Report:
    deaf = len(now.rounds) >= WINDOW and not now.heard
    key = f"lines/{leg.line} IPv{leg.family} target"
    text = (
        f"the next hop {leg.targets[0]} of line {leg.line} has never answered an echo, so only the "
        "carrier and the route of the line are watched; name targets in the charter"
        if deaf
        else f"the next hop {leg.targets[0]} of line {leg.line} answers"
    )
    return Report(key, deaf, text, "note")


def _told(ways: Ways, state: State) -> Iterator[Mapping[str, object]]:
    """Each leg as docs/reference/json.md has it (watched-line)."""
    for leg in ways.legs:
        now = state.legs[leg.key]
        found = best(leg, now)
        delay = None if found is None or found.delay is None else round(found.delay * 1000)
        yield {
            "line": leg.line,
            "family": f"IPv{leg.family}",
            "state": "unknown" if now.up is None else "up" if now.up else "down",
            "since": stamp(now.since),
            "why": _WORDS[now.why] or None,
            "loss": None if found is None else round(found.loss * 100),
            "delay": delay,
            "targets": list(leg.targets),
            "used": leg.key not in state.out,
            "staying": sum(number == leg.number for number, _ in state.stays)
            if leg.family == 4
            else 0,
        }


# --- on the disk ---------------------------------------------------------------------------------


def duty() -> Duty[State]:
    """The duty, with nothing judged yet."""
    return Duty(
        name=NAME,
        about="watches the lines, and leads new conversations by those that work",
        needs=frozenset({"schedule", "lines"}),
        begin=State(),
        decide=decide,
        written=_written,
        read=read,
    )


def _written(state: State) -> Mapping[str, object]:
    return {
        "legs": [
            {
                "line": line,
                "family": family,
                "up": now.up,
                "since": stamp(now.since),
                "why": now.why,
                "wait": now.wait,
                "heard": sorted(now.heard),
            }
            for (line, family), now in state.legs.items()
        ],
        "out": [{"line": line, "family": family} for line, family in sorted(state.out)],
        "stays": [{"number": number, "source": source} for number, source in state.stays],
        "owed": [{"line": line, "family": family} for line, family in sorted(state.owed)],
    }


def read(found: Fields) -> State:
    """Rounds are counted anew: they were of another process. Raises StateBroken."""
    legs = {_key(one): _condition(one) for one in found.objects("legs")}
    out = frozenset(map(_key, found.objects("out")))
    stays = tuple((one.whole("number"), _source(one)) for one in found.objects("stays"))
    owed = frozenset(map(_key, found.maybe("owed", found.objects) or ()))
    return State(legs, out, staying.begun(stays), owed)


def _source(found: Fields) -> str:
    try:
        return str(IPv4Address(found.text("source")))
    except ValueError:
        raise found.broken("source", "an IPv4 address") from None


def _key(found: Fields) -> Key:
    return found.text("line"), found.whole("family")


def _condition(found: Fields) -> Condition:
    return Condition(
        found.maybe("up", found.yes),
        instant(found, "since"),
        found.one_of("why", get_args(Why)),
        min(max(found.number("wait"), FIRST), MOST),
        frozenset(found.texts("heard")),
    )
