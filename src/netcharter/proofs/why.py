"""One connection's story: what is asked, what decides it, what nearly did, what comes after."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from ipaddress import ip_address
from zoneinfo import ZoneInfo

from netcharter.diagnostics import Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.plan.coding import NOBODY
from netcharter.plan.exits import NO_EXIT
from netcharter.plan.fate import Attempt, Environment, Outcome, exit_of, fate, in_force, matches
from netcharter.plan.hours import flips
from netcharter.plan.housekeeping import LINK_LOCAL6, MULTICAST
from netcharter.plan.leading import place_of
from netcharter.plan.listed import first_in
from netcharter.plan.names.domains import Fault, normal
from netcharter.plan.shapes import ALWAYS, ExitPlan, LinePlan, Plan, Region, Row
from netcharter.plan.terms import Ground, all_reached, service_set
from netcharter.proofs.ask import NotUnderstood, check_services
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.promises import ground_of
from netcharter.proofs.start import (
    FAMILY,
    lines_up,
    network_of,
    representative,
    signed_in,
    starts,
)
from netcharter.proofs.story import delivered_text, row_name, verdict_text
from netcharter.space.ranges import Ranges, has, intersect, subset, subtract, union

_DOMAIN = re.compile(r"[\w-]+(\.[\w-]+)+\.?")
ENTERS = "it enters by"
LINK_SCOPE = union(MULTICAST, LINK_LOCAL6)  # never forwarded
NO_WAY = "no line that is up leads there, so for now it gets no further than the gateway"
LOOKING_AHEAD = timedelta(days=370)  # for the end of hours

_ROLES = {"main": 0, "balanced": 1}  # the order in which lines are asked; standby ones last

MOST_PARTS = 8  # stretches of one service whose stories are told


@dataclass(frozen=True, slots=True)
class Step:
    """One numbered cause with its place in the charter."""

    text: str
    span: Span | None = None

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        return {"text": self.text, "span": span_as_json(self.span) if self.span else None}


@dataclass(frozen=True, slots=True)
class Story:
    """A short paragraph and its causes. `families`: 4, 6 or both, which fare alike."""

    headline: str
    steps: tuple[Step, ...]
    outcome: Outcome
    service: int
    entrance: str
    families: tuple[int, ...]

    def fares(self) -> tuple[object, ...]:
        """What must be equal for two attempts to share a story."""
        return self.outcome.row.index, self.outcome.let, self.outcome.manner


@dataclass(frozen=True, slots=True)
class Telling:
    """Who asks for what, when, in which state of the site; one family."""

    attempt: Attempt
    environment: Environment
    starter: str
    target: str
    wide: Ranges  # all the destinations that the target may be
    family: int
    doubts: tuple[str, ...] = ()


def why(
    plan: Plan,
    starter: str,
    target: str,
    service: str,
    instant: datetime,
    *,
    who: str | None = None,
    down: Sequence[str] = (),
) -> tuple[Story, ...]:
    """The stories of one connection: one, or several where families or lines fare differently.

    starter, target: terms of the charter, addresses, or (target) a domain name, which is taken
    as any internet address. Raises NotUnderstood with what to write instead.
    """
    found = _tellings(plan, starter, target, service, instant, who, down)
    return tuple(_together([_story(plan, telling) for telling in found]))


def attempts(
    plan: Plan, starter: str, target: str, service: str, instant: datetime
) -> tuple[tuple[Attempt, Environment], ...]:
    """The attempts that the stories of one connection are about, each in its environment."""
    found = _tellings(plan, starter, target, service, instant, None, ())
    return tuple(dict.fromkeys((telling.attempt, telling.environment) for telling in found))


def _tellings(
    plan: Plan,
    starter: str,
    target: str,
    service: str,
    instant: datetime,
    who: str | None,
    down: Sequence[str],
) -> list[Telling]:
    ground = ground_of(plan)
    check_services([service], ground)
    if service == "anything":
        raise NotUnderstood("'anything' is not one service", "ask about one: https, tcp/8443, ping")
    codes = service_set(ground, [service])
    up = lines_up(ground, down)
    wide, doubts, led = _destination(plan, ground, target)
    translated = coding.network(*plan.charter.translators)
    wide = subtract(wide, translated) or wide  # which fares as what it leads to
    found: list[Telling] = []
    for family in FAMILY:
        to = intersect(wide, FAMILY[family])
        for start in starts(plan, ground, starter, family, to, up) if to else ():
            for code in _services_for(codes, family):
                signed = signed_in(plan, starter, start.entrance, who)
                state = Environment(up, signed, instant, led)
                attempt = Attempt(
                    start.entrance, start.source, start.hardware, representative(plan, to), code
                )
                found.append(Telling(attempt, state, starter, target, to, family, doubts))
    if not found:
        raise _nothing(starter, target, service, codes, wide)
    return found


def _nothing(starter: str, target: str, service: str, codes: Ranges, wide: Ranges) -> NotUnderstood:
    """Why there is no such connection at all."""
    carried = [family for family in FAMILY if _services_for(codes, family)]
    reached = [family for family in FAMILY if intersect(wide, FAMILY[family])]
    message = f"{starter} and {target} share no address family for {service}"
    if len(carried) == 1 and carried != reached and len(reached) == 1:
        message = f"{service} exists in IPv{carried[0]} only, and {target} has only IPv{reached[0]}"
    elif len(carried) == 1 and carried[0] in reached:
        message = f"{service} exists in IPv{carried[0]} only, and {starter} has no such address"
    return NotUnderstood(message, "there is no such connection: name another address or service")


def _together(told: Sequence[Story]) -> Iterator[Story]:
    """Stories of attempts that fare alike as one; each says what it is about if there are more."""
    groups: dict[tuple[object, ...], list[Story]] = {}
    for story in told:
        groups.setdefault(story.fares(), []).append(story)
    for group in groups.values():
        first = group[0]
        families = tuple(dict.fromkeys(f for story in group for f in story.families))
        others = (s.entrance for s in group if s.families == first.families)
        also = [name for name in dict.fromkeys(others) if name != first.entrance]
        steps = list(first.steps)
        if also:
            entered = next(n for n, step in enumerate(steps) if step.text.startswith(ENTERS))
            steps.insert(entered + 1, Step(f"by {listed(also)} it would fare alike"))
        headline = first.headline
        if len(groups) > 1 and len(families) == 1:
            headline = f"Over IPv{families[0]}, {headline}"
        yield replace(first, headline=headline, steps=tuple(steps), families=families)


def _services_for(codes: Ranges, family: int) -> list[int]:
    """The first of each stretch of services that this family can carry; a few of many."""
    wrong = coding.ICMP6 if family == 4 else coding.ICMP
    return [low for low, _ in codes if low >> 16 != wrong][:MOST_PARTS]


Led = frozenset[str]  # places by whose names one is led there


def _destination(plan: Plan, ground: Ground, target: str) -> tuple[Ranges, tuple[str, ...], Led]:
    """All that is meant, what is not known of it, and which places lead there by their names."""
    try:
        return coding.addresses([ip_address(target)]), (), frozenset()
    except ValueError:
        pass
    if target in ground.named:
        place = next(one for one in plan.by_names if one.name == target)
        return plan.internet, (_anywhere(place.domains),), frozenset({target})
    if target in ("internet", "gateway") or target in ground.area or target in ground.places:
        return all_reached(ground, [target]), (), frozenset()
    if target in ground.device:
        found = all_reached(ground, [target])
        if not found:
            raise NotUnderstood(f"{target} has no lasting address", "add `address: lasting` to it")
        return found, (), frozenset()
    if _DOMAIN.fullmatch(target) and not target.rpartition(".")[2].isdigit():
        name = normal(target)
        found_in = None if isinstance(name, Fault) else place_of(plan.by_names, name)
        if found_in is not None:
            return plan.internet, (_anywhere([target]),), frozenset({found_in.name})
        return plan.internet, (
            f"{target} is a name; it is not looked up here but taken as any internet address",
        ), frozenset()  # fmt: skip
    raise NotUnderstood(
        f"'{target}' is nowhere",
        "name an area, a device with a lasting address, a place, internet, gateway, an address or"
        " a domain name",
    )


def _anywhere(names: Sequence[str]) -> str:
    return (
        f"{listed(names, 'or')} may lead anywhere on the internet: this is about an address that the "
        "gateway's resolver has just answered for it"
    )


def _story(plan: Plan, telling: Telling) -> Story:
    found = fate(plan, telling.attempt, telling.environment)
    naming = Naming(plan)
    moment = naming.instant_text(telling.environment.instant)
    asked = naming.service_full(telling.attempt.service)
    headline = (
        f"{_who(plan, telling)} asks {_target(naming, telling)} for {asked}"
        f" on {moment}: {verdict_text(found.row, found.manner)}."
    )
    attempt, steps = telling.attempt, tuple(_steps(plan, telling, found))
    return Story(headline, steps, found, attempt.service, attempt.entrance, (telling.family,))


def _who(plan: Plan, telling: Telling) -> str:
    naming, attempt = Naming(plan), telling.attempt
    where = naming.address_text(attempt.source)
    signing = {a.name for a in plan.areas if a.sign_in}
    signed = telling.environment.who
    signed = f", {naming.who_text(signed)}" if attempt.entrance in signing else ""
    if telling.starter == attempt.entrance:
        return f"{telling.starter} ({where}{signed})"
    return f"{telling.starter} (by {attempt.entrance}, {where}{signed})"


def _target(naming: Naming, telling: Telling) -> str:
    text = naming.address_text(telling.attempt.destination)
    if text == telling.target:
        return text
    return f"{telling.target} ({'taken as ' if telling.doubts else ''}{text})"


def _steps(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    yield from (Step(doubt) for doubt in telling.doubts)
    yield _entrance_step(plan, telling, found)
    yield from _translation_steps(plan, telling)
    for row in plan.rows[: found.row.index]:
        near = _near_miss(plan, row, telling)
        if near is not None:
            yield Step(near, row.span)
    yield _deciding_step(found)
    yield from _listing_steps(plan, telling, found)
    if found.let:
        yield _way_step(plan, telling, found)
    chosen = exit_of(plan, telling.attempt) if found.row.label == NO_EXIT else None
    if chosen is not None:
        yield Step(f"{chosen.name} allows {listed(chosen.lines)} and no other line", chosen.span)
    yield from _differing(plan, telling, found)
    yield from _if_led(plan, telling, found)
    yield from _later(plan, telling, found)


def _if_led(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """What becomes of it if names lead there, or no longer do."""
    state, here = telling.environment, telling.environment.led
    if not has(plan.internet, telling.attempt.destination):
        return
    for place in plan.by_names:
        other = fate(plan, telling.attempt, replace(state, led=here ^ {place.name}))
        if other.row.index != found.row.index and (other.let, other.manner) != (
            found.let, found.manner
        ):  # fmt: skip
            names = listed(place.domains, "or")
            when = (
                f"no longer led there by {names}" if place.name in here else f"led there by {names}"
            )
            yield Step(f"{when}, it is {verdict_text(other.row, other.manner)}", place.span)


def _entrance_step(plan: Plan, telling: Telling, found: Outcome) -> Step:
    entrance = telling.attempt.entrance
    spans = {area.name: area.span for area in plan.areas}
    spans |= {line.name: line.span for line in plan.lines}
    if found.row.label in ("forged", "bound", "barred", "strangers"):
        return Step(f"{ENTERS} {entrance}", spans.get(entrance))
    proper = "the gateway itself starts it" if entrance == "gateway" else (
        f"{ENTERS} {entrance}, from an address that belongs there"
    )  # fmt: skip
    return Step(proper, spans.get(entrance))


def _translation_steps(plan: Plan, telling: Telling) -> Iterator[Step]:
    for code in (telling.attempt.source, telling.attempt.destination):
        for four, _ in coding.meant(((code, code),), plan.charter.translators):
            told = f"{coding.decode(code)} stands for {coding.decode(four)} (RFC 6052)"
            yield Step(f"{told}: every place and list that holds this holds it, too")


def _near_miss(plan: Plan, row: Row, telling: Telling) -> str | None:
    """Why an earlier decision of the charter that is about this pair does not decide it."""
    if row.kind not in ("rule", "emergency", "offer", "sign-in"):
        return None
    attempt, state = telling.attempt, telling.environment
    for region in row.regions:
        if not _pair(region, attempt):
            continue
        timely = in_force(plan, region.when, state.instant)
        served = has(region.service, attempt.service)
        signed = region.who is None or state.who in region.who
        if served and signed and not timely:
            said = region.when.during or (f"until {region.when.until}" if region.when.until else "")
            verb = "let" if row.let else "refuse"
            return f"{row_name(row)} would {verb} it, but not at this moment ({said})"
        if timely and signed and not served and row.kind != "offer":
            return f"{row_name(row)} is about these two, but not about this service"
        if row.kind == "sign-in" and not signed:
            return "the sign-in is done"
    return None


def _pair(region: Region, attempt: Attempt) -> bool:
    return (
        attempt.entrance in region.entrances
        and has(region.source, attempt.source)
        and has(region.destination, attempt.destination)
        and has(region.hardware, attempt.hardware)
    )


def _deciding_step(found: Outcome) -> Step:
    row = found.row
    because = f": {row.because}" if row.because else ""
    basis = f" ({row.basis})" if row.basis else ""
    verb = "lets" if row.let else "refuses"
    text = f"{row_name(row)} is the first that fits, and {verb} it{because}{basis}"
    if row.kind == "default":
        text = f"no rule fits, and what no rule lets is refused{basis}"
    return Step(text, row.span)


def _listing_steps(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """Which lists name an address that is refused as hostile, and in which line."""
    if found.row.label != "hostile":
        return
    sent = telling.attempt
    code = sent.source if sent.entrance in plan.charter.lines else sent.destination
    asked = ((code, code),)
    for name in plan.charter.hostile.lists:
        listed = plan.lists.get(name)
        entry = (
            first_in(listed.text, union(asked, coding.meant(asked, plan.charter.translators)))
            if listed
            else None
        )
        if entry is not None:
            told = f"the list {name} names it in line {entry.line}: {entry.text}"
            yield Step(told, plan.charter.where("lists", name))


def _way_step(plan: Plan, telling: Telling, found: Outcome) -> Step:
    attempt = telling.attempt
    delivered = delivered_text(found.row, attempt.service)
    if delivered is not None:
        same = found.row.delivery is not None and _area_of(plan, found) == attempt.entrance
        source = "; the gateway puts its own address as the source" if same else ""
        return Step(f"the destination is translated: it is delivered to {delivered}{source}")
    if has(LINK_SCOPE, attempt.destination):
        return Step("it stays on its own link and is never forwarded")
    if has(plan.gateway, attempt.destination):
        return Step("the gateway answers it itself")
    if not has(plan.internet, attempt.destination):
        return Step("it is routed inside the site, addresses unchanged")
    chosen = exit_of(plan, telling.attempt)
    return Step(_exit_text(plan, telling, chosen), chosen.span if chosen is not None else None)


def _area_of(plan: Plan, found: Outcome) -> str | None:
    delivery = found.row.delivery
    return next((d.area for d in plan.devices if delivery and d.name == delivery.device), None)


def _exit_text(plan: Plan, telling: Telling, chosen: ExitPlan | None) -> str:
    up = [line for line in plan.lines if line.name in telling.environment.lines]
    beside = [line for line in plan.lines if has(network_of(line), telling.attempt.destination)]
    near = [line for line in beside if line in up and _straight(plan, telling, chosen, line)]
    if near:
        own = f", with {near[0].v4.ip} as its source" if telling.family == 4 and near[0].v4 else ""
        over = f", whatever {chosen.name} says" if chosen is not None else ""
        return f"it leaves by {near[0].name}, to whose own network it is sent{over}{own}"
    if telling.family == 6:
        source = coding.decode(telling.attempt.source)
        mine = [x for x in up if x.prefix and not isinstance(source, tuple) and source in x.prefix]
        six = mine or [x for x in up if x.carries6]
        return f"it leaves by {six[0].name}, its address unchanged" if six else NO_WAY
    rank = {name: place for place, name in enumerate(chosen.lines)} if chosen is not None else {}
    bound = chosen is not None and chosen.refused
    if bound and beside and beside[0].name not in rank:
        up = [line for line in up if not line.learns]  # they lead to no other line's own network
    carrying = sorted(
        (x for x in up if x.carries4 and not (bound and x.name not in rank)),
        key=lambda x: (rank.get(x.name, len(rank)), _ROLES.get(x.role, len(_ROLES))),
    )
    if not carrying:
        return NO_WAY
    first = carrying[0]
    if first.name not in rank and (sharing := _sharing(plan, carrying)):
        if len(sharing) > 1:
            return _shared_text(sharing)
        first = sharing[0]
    own = str(first.v4.ip) if first.v4 else "the address it has then"
    said = f" as {chosen.name} says" if chosen is not None and first.name in rank else ""
    return f"it leaves by {first.name}{said}, which is up, with {own} as its source"


def _straight(plan: Plan, telling: Telling, chosen: ExitPlan | None, near: LinePlan) -> bool:
    """Whether it may use the line in whose own network it is sent (model, section 6)."""
    source = coding.decode(telling.attempt.source)
    if telling.family == 6 and not isinstance(source, tuple):
        owners = [x.name for x in plan.lines if x.prefix is not None and source in x.prefix]
        return not owners or near.name in owners
    return chosen is None or not chosen.refused or near.name in chosen.lines


def _sharing(plan: Plan, carrying: Sequence[LinePlan]) -> list[LinePlan]:
    """Those of some lines that share what leaves, before all others."""
    balanced = [line.name for line in plan.lines if line.role == "balanced" and line.carries4]
    return [line for line in carrying if len(balanced) > 1 and line.name in balanced]


def _shared_text(sharing: Sequence[LinePlan]) -> str:
    names = listed([line.name for line in sharing], "or")
    weights = " to ".join(str(line.weight) for line in sharing)
    return (
        f"it leaves by {names}, which share what leaves by {weights}, with the address of that line"
        " as its source; each device stays on one of them, whatever it asks for, while that is up"
    )


def _differing(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """Other destinations that the same words may mean and that fare differently."""
    named = {
        name: places
        for name, places in plan.places.items()
        if intersect(places, telling.wide) and not subset(telling.wide, places)
    }
    for name, places in named.items():
        code = intersect(places, telling.wide)[0][0]
        other = fate(plan, replace(telling.attempt, destination=code), telling.environment)
        if other.row.index != found.row.index:
            told = verdict_text(other.row, other.manner)
            yield Step(f"if the address lies in {name}, it is {told}", other.row.span)


def _later(plan: Plan, telling: Telling, found: Outcome) -> Iterator[Step]:
    """What ends it: hours and dates of what lets it; and how it would fare before sign-in."""
    if found.let:
        yield from (Step(text, found.row.span) for text in _endings(plan, telling, found.row))
    signing = {a.name for a in plan.areas if a.sign_in}
    if telling.environment.who != NOBODY and telling.attempt.entrance in signing:
        before = fate(plan, telling.attempt, replace(telling.environment, who=NOBODY))
        if before.let != found.let:
            yield Step(f"before anyone has signed in there it is "
                       f"{verdict_text(before.row, before.manner)}")  # fmt: skip


def _endings(plan: Plan, telling: Telling, row: Row) -> Iterator[str]:
    """What becomes of it when the conditions end under which the row lets it."""
    state = telling.environment
    whens = {r.when for r in row.regions if matches(plan, r, telling.attempt, state)}
    if ALWAYS in whens:
        return
    ends = [(w.during, _closing(plan, w.during, state.instant)) for w in whens if w.during]
    ends += [(str(w.until), _day_after(plan, w.until)) for w in whens if w.until]
    for name, end in ends:
        if end is None:
            continue
        after = fate(plan, telling.attempt, replace(state, instant=end))
        if after.let:
            yield f"when {name} ends it goes on: {verdict_text(after.row, after.manner)}"
        else:
            yield f"it is cut when {name} ends"


def _closing(plan: Plan, during: str, instant: datetime) -> datetime | None:
    """When hours that are open now close next; None if not within a year."""
    zone = ZoneInfo(plan.timezone)
    found = flips(plan.hours[during], zone, instant, instant + LOOKING_AHEAD)
    return next((at for at, opened in found if not opened), None)


def _day_after(plan: Plan, until: date) -> datetime | None:
    """The first moment of the day after a date, in site time."""
    if until == date.max:
        return None
    midnight = datetime.combine(until + timedelta(days=1), time(), ZoneInfo(plan.timezone))
    return midnight.astimezone(UTC)
