"""One look-up's story: who asks for which name, what decides it, what nearly did, what comes after."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from netcharter.plan.fate import in_force
from netcharter.plan.hours import flips
from netcharter.plan.names.deciding import Asker, Met, Verdict, asks, decide, meets
from netcharter.plan.names.domains import Fault, normal
from netcharter.plan.names.finding import Finder
from netcharter.plan.names.shapes import NamesRow
from netcharter.plan.shapes import Plan, When
from netcharter.plan.terms import device_addresses
from netcharter.proofs.ask import NotUnderstood
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.promises import ground_of
from netcharter.proofs.why import LOOKING_AHEAD, Step

TYPES = (
    "A",
    "AAAA",
    "HTTPS",
    "SVCB",
    "PTR",
    "MX",
    "TXT",
    "SRV",
    "NS",
    "CNAME",
    "SOA",
    "CAA",
    "ANY",
)
OUTCOMES = {
    "answer": "answered",
    "withhold": "withheld",
    "rewrite": "rewritten",
    "local": "answered here",
    "none": "told that there is no such name",
}
BARRED = "housekeeping 'barred'"  # of section 6 of the model, which comes before any names rule
VERBS = {
    "answer": "answers",
    "withhold": "withholds",
    "rewrite": "rewrites",
    "local": "answers",
    "none": "says that there is no such name as",
}


@dataclass(frozen=True, slots=True)
class NameStory:
    """A short paragraph and its causes."""

    name: str
    type: str
    asker: Asker
    headline: str
    steps: tuple[Step, ...]
    verdict: Verdict
    barred: bool = False

    @property
    def outcome(self) -> str:
        """One word: answered, withheld, rewritten, local or none; or refused, to a device that is
        barred, whatever the decisions about names say."""
        if self.barred:
            return "refused"
        action = self.verdict.met.row.action
        return {"answer": "answered", "withhold": "withheld", "rewrite": "rewritten"}.get(
            action, action
        )

    def as_json(self) -> Mapping[str, object]:
        """The documented shape."""
        met = self.verdict.met
        entry = met.entry
        if self.barred:
            return {**self._known(), "certain": True, "decided_by": BARRED, "list": None, "line": None,
                    "entry": None, "to": None, "addresses": [], "may": []}  # fmt: skip
        return {
            **self._known(),
            "certain": self.verdict.certain,
            "decided_by": name_row(met.row),
            "list": met.list,
            "line": entry.line if entry else None,
            "entry": entry.entry if entry else None,
            "to": met.row.to,
            "addresses": [str(one) for one in self.verdict.addresses],
            "may": [
                {"decided_by": name_row(one.row), "list": one.list} for one in self.verdict.may
            ],
        }

    def _known(self) -> dict[str, object]:
        """What there is whoever asks."""
        return {
            "headline": self.headline,
            "steps": [dict(step.as_json()) for step in self.steps],
            "name": self.name,
            "type": self.type,
            "outcome": self.outcome,
            "area": self.asker.area,
        }


def name_row(row: NamesRow) -> str:
    """A decision about names, as one says it."""
    if row.kind in ("rule", "emergency"):
        return row.label
    return f"housekeeping '{row.label}'" if row.kind == "housekeeping" else "the default"


def why_name(plan: Plan, starter: str, name: str, type: str, instant: datetime) -> NameStory:
    """The story of one look-up. Raises NotUnderstood with what to write instead."""
    asked = normal(name)
    if isinstance(asked, Fault):
        raise NotUnderstood(f"'{name}' can't be asked for: a name {asked.value}", "www.example.org")
    if type.upper() not in TYPES:
        raise NotUnderstood(f"'{type}' is no type of record", f"one of {', '.join(TYPES)}")
    asker = asking(plan, starter)
    find, kind = Finder(plan.names), type.upper()

    def at(moment: datetime) -> Verdict:
        return decide(plan.names, asker, asked, kind, holding(plan, moment), find)

    verdict = at(instant)
    moment = Naming(plan).instant_text(instant)
    who = starter if starter == asker.area else f"{starter} (in {asker.area})"
    device = ground_of(plan).device.get(starter)
    if device is not None and device.barred:
        headline = f"{who} asks for {asked} ({kind}) on {moment}: refused by {BARRED}."
        step = Step(f"{starter} is barred: its questions are refused with all else", device.span)
        return NameStory(asked, kind, asker, headline, (step,), verdict, barred=True)
    told = OUTCOMES[verdict.met.row.action]
    if not verdict.certain:
        told += ", unless a list whose contents nobody has told yet names it"
    steps = (
        Step(f"it asks this gateway, from {asker.area}", plan.charter.where("areas", asker.area)),
        *_before(plan, asker, asked, verdict, instant, find),
        _deciding(plan, verdict, asked),
        *_effects(verdict, kind),
        *_endings(plan, verdict, instant, at),
    )
    headline = f"{who} asks for {asked} ({kind}) on {moment}: {told}."
    return NameStory(asked, kind, asker, headline, steps, verdict)


def asking(plan: Plan, starter: str) -> Asker:
    """An area or a device as one who asks. Raises NotUnderstood."""
    ground = ground_of(plan)
    if starter in ground.area:
        return Asker(starter)
    device = ground.device.get(starter)
    if device is None:
        raise NotUnderstood(
            f"'{starter}' asks this gateway for no names", "name an area or a device"
        )
    addresses = device_addresses(device)
    return Asker(device.area, addresses[0][0] if addresses else None)


def holding(plan: Plan, instant: datetime) -> Callable[[str | None, date | None], bool]:
    """Whether hours and a last day hold at an instant."""
    return lambda during, until: in_force(plan, When(during, until), instant)


def _before(
    plan: Plan, asker: Asker, name: str, verdict: Verdict, instant: datetime, find: Finder
) -> Iterator[Step]:
    """Decisions that stand before the one that is met, and are about this name."""
    holds = holding(plan, instant)
    perhaps = {one.row.index for one in verdict.may}
    for row in plan.names.rows[: verdict.met.row.index]:
        met = meets(plan.names, row, name, find) if row.kind in ("rule", "emergency") else None
        if met is None:
            continue
        if row.index in perhaps:
            text = (
                f"{name_row(row)} comes first if the list {met.list} names it: nobody has told yet"
            )
            yield Step(f"{text} what that holds", row.span)
        elif not met.sure:
            continue
        elif not any(asks(one, asker) for one in row.audience):
            terms = listed(one.term for one in row.audience)
            yield Step(f"{name_row(row)} is about this name, but for {terms}", row.span)
        elif not holds(row.during, row.until):
            said = row.during or f"until {row.until}"
            yield Step(
                f"{name_row(row)} is about this name, but does not hold at this moment ({said})",
                row.span,
            )


def _deciding(plan: Plan, verdict: Verdict, name: str) -> Step:
    row = verdict.met.row
    if row.kind == "default":
        return Step(f"no names rule is about it, and {row.because}")
    because = f": {row.because}" if row.because else ""
    basis = f" ({row.basis})" if row.basis else ""
    text = f"{name_row(row)} is the first that fits, and {VERBS[row.action]} it{because}{basis}"
    if row.action == "none":
        text = f"{name_row(row)} is the first that fits: there is no such name{because}{basis}"
    return Step(f"{text}; {_named(plan, verdict.met, name)}", row.span)


def _named(plan: Plan, met: Met, name: str) -> str:
    """By what a decision speaks of a name."""
    entry = met.entry
    if entry is None:
        if met.what.name == "":
            return "it is about every name"
        said = met.what.name or met.what.term
        return f"it names {said}" + (" and all below it" if name != said else "")
    known = plan.names.lists[str(met.list)]
    topic = f" (topic {known.said.topic})" if known.said.topic else ""
    where = "entry" if known.said.entries else "line"
    below = " with all below it" if entry.below else ""
    return f"the list {met.list}{topic} names {entry.entry}{below}, in its {where} {entry.line}"


def _effects(verdict: Verdict, type: str) -> Iterator[Step]:
    row = verdict.met.row
    if row.action == "rewrite":
        yield Step(f"whatever type is asked for, the answer is what {row.to} has")
    elif row.action == "withhold":
        yield Step("no type of record is answered; an address that is known already is a matter of "
                   "rules")  # fmt: skip
    elif row.action == "local" and verdict.pointer:
        yield Step(f"the address is that of {verdict.pointer}")
    elif row.action == "local" and verdict.addresses:
        yield Step(f"the answer is {listed(str(one) for one in verdict.addresses)}")
    elif row.action == "local":
        what = f"there is nothing of type {type}" if verdict.found else "there is no such name"
        yield Step(f"{what}; nobody outside is asked")


def _endings(
    plan: Plan, verdict: Verdict, instant: datetime, at: Callable[[datetime], Verdict]
) -> Iterator[Step]:
    """What becomes of it when the hours end under which the decision holds."""
    row = verdict.met.row
    if row.during is None:
        return
    zone = ZoneInfo(plan.timezone)
    found = flips(plan.hours[row.during], zone, instant, instant + LOOKING_AHEAD)
    end = next((moment for moment, opened in found if not opened), None)
    if end is not None:
        after = at(end).met.row
        yield Step(f"when {row.during} ends it is {OUTCOMES[after.action]}", row.span)
