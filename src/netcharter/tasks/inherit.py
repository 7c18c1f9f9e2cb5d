"""`inherit`: a running gateway judged, asked, compared, and put into a first charter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from textwrap import wrap
from typing import Any

from netcharter.charter.read import read
from netcharter.charter.values import quoted
from netcharter.diagnostics import Diagnostic, Span
from netcharter.diagnostics.jsonshape import as_json, span_as_json
from netcharter.plan import make_plan
from netcharter.plan.addressing import ula
from netcharter.plan.shapes import Plan
from netcharter.proofs.ask import NotUnderstood
from netcharter.readback.differing import ChangeRow
from netcharter.readback.questions import Answer, ask
from netcharter.report.wording import counted
from netcharter.space.certified import NoAnswer
from netcharter.tasks.inheriting.asking import inquiry
from netcharter.tasks.inheriting.charter import first_charter
from netcharter.tasks.inheriting.comparing import (
    Beside,
    beside_charter,
    beside_plan,
    beside_ruleset,
    is_charter,
)
from netcharter.tasks.inheriting.explaining import Story, explain
from netcharter.tasks.inheriting.gateway import File, Given, OldGateway, read_gateway
from netcharter.tasks.inheriting.run_sheet import run_sheet
from netcharter.tasks.inheriting.saying import said_by
from netcharter.tasks.inheriting.segments import has_name
from netcharter.tasks.inheriting.shapes import (
    FoundArea,
    FoundLine,
    Recognised,
    Unsaid,
    Written,
)
from netcharter.tasks.inheriting.terms import Site
from netcharter.tasks.sources import Source, Unusable, unusable

__all__ = ["File", "Given", "Inherited", "ask_gateway", "compare_gateway", "explain_gateway"]

UNREAD = ("listing-not-understood", "listing-outside-packet", "listing-link-layer",
          "listing-work-used-up", "listing-unknown-object", "listing-missing")  # fmt: skip
SHOWN = 12  # differences between a gateway and its first charter that are told
WHERE = (
    "It is told of the first packet of a connection, as the ruleset says and the addresses and"
    " routes that were given. What other programs do with it is not known."
)


# ---- the audit, and the first charter ----


@dataclass(frozen=True)
class Charted:
    """A first charter, and what it does otherwise than the gateway. beside: None where the kit of
    the charter could not be loaded to be compared; `reason` says why.
    """

    written: Written
    plan: Plan
    beside: Beside | None
    reason: str = ""

    @property
    def unsaid(self) -> tuple[Unsaid, ...]:
        return self.written.unsaid

    def as_json(self) -> dict[str, Any]:
        """`text`, `invented`, `same`, `differences`, `besides`."""
        found = self.beside.difference if self.beside is not None else None
        return {
            "text": self.written.text,
            "invented": [{"name": n, "words": w} for n, w in self.written.invented.items()],
            "same": None if found is None else found.same,
            "differences": _rows_json(self.beside, found.rows if found else ()),
            "besides": _rows_json(self.beside, found.besides if found else ()),
        }


@dataclass(frozen=True)
class Inherited:
    """What there is to say about a running gateway."""

    gateway: OldGateway
    now: datetime
    charted: Charted | None = None

    @cached_property
    def findings(self) -> tuple[Diagnostic, ...]:
        """What was said while it was read, and the audit; errors first."""
        found = (*self.gateway.problems, *self.gateway.audit(self.now.date()))
        weight = {"error": 0, "warning": 1, "note": 2}
        return tuple(sorted(found, key=lambda d: (weight[d.severity], d.span)))

    @property
    def texts(self) -> Mapping[str, str]:
        return self.gateway.texts

    @property
    def ok(self) -> bool:
        """No finding is an error."""
        return all(one.severity != "error" for one in self.findings)

    @property
    def unsaid(self) -> tuple[Unsaid, ...]:
        """What a charter can't say, as far as it is known without or with one."""
        return self.charted.unsaid if self.charted else self.gateway.recognised.unsaid

    def counts(self) -> dict[str, int]:
        """How much there is."""
        listing = self.gateway.ruleset.listing
        weights = {f"{s}s": sum(d.severity == s for d in self.findings)
                   for s in ("error", "warning", "note")}  # fmt: skip
        return {
            **weights,
            "tables": len(listing.tables),
            "chains": len(listing.chains),
            "rules": sum(len(chain.rules) for chain in listing.chains.values()),
            "sets": len(listing.sets),
            "decisions": len(self.gateway.decisions.leaves),
        }

    def unread(self) -> tuple[Diagnostic, ...]:
        """What of the ruleset was not understood, or can't be settled by a packet."""
        return tuple(one for one in self.findings if one.id in UNREAD)

    def as_json(self) -> dict[str, Any]:
        """The documented shape."""
        found = self.gateway.recognised
        return {
            "ok": self.ok,
            "findings": [as_json(one) for one in self.findings],
            "counts": self.counts(),
            "unread": [as_json(one) for one in self.unread()],
            "lines": [_line_json(line) for line in found.lines],
            "areas": [_area_json(area) for area in found.areas],
            "devices": [
                {"name": d.name, "area": d.area, "addresses": [str(a) for a in d.addresses]}
                for d in found.devices
            ],
            "unsaid": [_unsaid_json(one) for one in self.unsaid],
            "charter": self.charted.as_json() if self.charted else None,
        }

    def lines(self, width: int) -> Iterator[str]:
        """The summary for people."""
        found = self.gateway.recognised
        for line in found.lines:
            yield from _segment("line", line, ", ".join(map(str, line.addresses)), width)
        for area in found.areas:
            yield from _segment("area", area, ", ".join(map(str, area.prefixes)), width)
        counts = self.counts()

        def told(*names: str) -> str:
            return ", ".join(counted(counts[name + "s"], name) for name in names)

        yield (
            f"{told('error', 'warning', 'note')}; {told('table', 'chain', 'rule', 'set')} looked at."
        )
        if self.unsaid:
            yield "what a charter can't say, or what has to be decided anew:"
            for one in self.unsaid:
                yield from _bullet(f"{one.words}{_place(one.span)}", width)
        if self.charted is not None:
            yield from _charted_lines(self.charted, width)
        yield from wrap(WHERE, width)

    def run_sheet(self) -> str:
        """The sheet for the evening of the change. Only with a charter."""
        assert self.charted is not None
        gateway = self.gateway
        return run_sheet(
            self.charted.plan,
            gateway.recognised,
            gateway.host_facts,
            now=self.now,
            unsaid=self.charted.unsaid,
        )


def inherit(given: Given, now: datetime) -> Inherited:
    """Read and judge. Raises Unusable."""
    return Inherited(read_gateway(given), now)


def chart(found: Inherited, *, site: str, timezone: str, entropy: bytes) -> Inherited:
    """The same with a first charter. entropy: 16 bytes drawn by lot, for the local prefix.

    Raises Unusable where even that charter can't be planned.
    """
    gateway = found.gateway
    _nameable(gateway.recognised)
    drawn = ula(int.from_bytes(entropy[:8], "big"), int.from_bytes(entropy[8:16], "big"))
    what = {"site": site, "timezone": timezone, "local_prefix": drawn, "now": found.now}
    bare = first_charter(gateway.recognised, (), (), **what)  # type: ignore[arg-type]
    said = said_by(gateway, Site(gateway, _planned(bare.text)))
    written = first_charter(
        gateway.recognised,
        said.rules,
        said.offers,
        unsaid=tuple(said.unsaid.values()),
        **what,  # type: ignore[arg-type]
    )
    plan = _planned(written.text)
    try:
        with _answerable(gateway):
            difference, rows = beside_plan(gateway, plan)
        return Inherited(gateway, found.now, Charted(written, plan, Beside(difference, rows, {})))
    except Unusable as wrong:
        reason = "; ".join(one.message for one in wrong.diagnostics)
        return Inherited(gateway, found.now, Charted(written, plan, None, reason))


def _nameable(recognised: Recognised) -> None:
    """Raises Unusable, with all of them, where lines or areas hang on devices that a charter has no
    word for: without them it would be another site's."""
    found: tuple[FoundLine | FoundArea, ...] = (*recognised.lines, *recognised.areas)
    odd = [
        Diagnostic(
            "bad-interface",
            "error",
            f"{one.name} hangs on {quoted(one.device)}, which a charter can't name",
            one.span,
            help="give the network device another name on the gateway, and read it anew",
        )
        for one in found
        if not has_name(one.parent, one.vlan)
    ]
    if odd:
        raise Unusable(tuple(odd), {})


def _planned(text: str) -> Plan:
    """The plan of a charter that was just written."""
    reading = read(text.encode(), "charter.yaml")
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    return make_plan(reading.charter)


# ---- ask, why, compare ----


@dataclass(frozen=True)
class Asked:
    """The rows of an answer."""

    answer: Answer

    def as_json(self) -> dict[str, Any]:
        """As `ask` prints it."""
        return {
            "ok": True,
            "rows": [row.as_json() for row in self.answer.rows],
            "names": [],  # a listing tells nothing of names
            "complete": self.answer.complete,
            "at": None,
        }

    def lines(self, width: int) -> Iterator[str]:
        """The answer for people, one block for each rule."""
        decider = None
        for row in self.answer.rows:
            if row.decided_by != decider:
                decider = row.decided_by
                yield from wrap(f"let by {decider}{_place(row.span)}", width)
            when = "" if row.when == "always" else f" ({row.when})"
            yield from _bullet(f"{row.starter} -> {row.to} with {row.service}{when}", width)
        if not self.answer.complete:
            yield "and more: the listing was cut, ask more narrowly."
        else:
            yield "and nothing else." if self.answer.rows else "Nobody, by no rule."
        yield from wrap(WHERE, width)


def ask_gateway(
    given: Given,
    question: str | None,
    who: Sequence[str] = (),
    reach: Sequence[str] = (),
    services: Sequence[str] = (),
) -> Asked:
    """Who can reach what, exactly. Raises Unusable."""
    gateway = read_gateway(given)
    asked = question or " ".join([*who, *reach, *services])
    try:
        wanted = inquiry(question, gateway.known, who, reach, services)
    except NotUnderstood as wrong:
        raise _not_understood(wrong, asked) from None
    with _answerable(gateway):
        return Asked(ask(gateway.points, gateway.words, wanted))


@dataclass(frozen=True)
class Explained:
    """The stories of one connection."""

    stories: tuple[Story, ...]

    def as_json(self) -> dict[str, Any]:
        """As `why` prints it."""
        told = [story.as_json() for story in self.stories]
        return {"ok": True, **told[0], "stories": told}

    def lines(self, width: int) -> Iterator[str]:
        """A paragraph for each story, with numbered steps."""
        for number, story in enumerate(self.stories):
            if number:
                yield ""
            yield from wrap(story.headline, width)
            for count, step in enumerate(story.steps, 1):
                yield from wrap(
                    step.text + _place(step.span),
                    width,
                    initial_indent=f"  {count}. ",
                    subsequent_indent="     ",
                    break_on_hyphens=False,
                )
        yield from wrap(WHERE, width)


def explain_gateway(given: Given, starter: str, target: str, service: str) -> Explained:
    """One connection's way through the ruleset. Raises Unusable."""
    gateway = read_gateway(given)
    try:
        return Explained(explain(gateway, starter, target, service))
    except NotUnderstood as wrong:
        raise _not_understood(wrong, f"{starter} {target} {service}") from None


@dataclass(frozen=True)
class Compared:
    """A gateway beside something else."""

    beside: Beside

    @property
    def ok(self) -> bool:
        """Nothing changes, and both were read whole."""
        return self.beside.difference.same and self.beside.difference.read

    def as_json(self) -> dict[str, Any]:
        """As `compare` prints it, with `besides` and `read`."""
        found = self.beside.difference
        return {
            "ok": self.ok,
            "same": found.same,
            **{
                change: _rows_json(self.beside, found.of(change))
                for change in ("opened", "closed", "altered")
            },
            "besides": _rows_json(self.beside, found.besides),
            "totals": {name: str(count) for name, count in found.totals.items()},
            "complete": found.complete,
            "read": found.read,
        }

    def lines(self, width: int) -> Iterator[str]:
        """The differences for people."""
        found = self.beside.difference
        if found.same:
            yield "Nothing changes: proven for every connection."
        for row in found.rows:
            yield from _change_lines(self.beside, row, width)
        yield from _besides_lines(self.beside, found.besides, width)
        for change, count in found.totals.items():
            if count:
                yield f"{change} in all: {count:,} connections"
        if not found.complete:
            yield "The totals are exact; the listing is cut."
        if not found.read:
            yield "One of the rulesets was too intricate to be read whole; there may be more."
        yield from wrap(WHERE, width)


def compare_gateway(given: Given, other: File, source: Source) -> Compared:
    """Which connections change from a gateway to another ruleset or to a charter.

    source: the same file as a charter's source. Raises Unusable.
    """
    gateway = read_gateway(given)
    with _answerable(gateway):
        if is_charter(other):
            return Compared(beside_charter(gateway, source))
        return Compared(beside_ruleset(gateway, other))


# ---- shared ----


def _not_understood(wrong: NotUnderstood, asked: str) -> Unusable:
    return unusable("question-not-understood", str(wrong), "question", asked, wrong.instead)


@contextmanager
def _answerable(gateway: OldGateway) -> Iterator[None]:
    try:
        yield
    except NoAnswer as fault:
        span = Span(gateway.ruleset.listing.name, 1, 1, 1, 1)
        message = f"no exact answer was found within the work allowed: {fault}"
        help_ = "ask about less at once"
        wrong = Diagnostic("too-intricate", "error", message, span, help=help_)
        raise Unusable((wrong,), gateway.texts) from None


def _rows_json(beside: Beside | None, rows: Sequence[ChangeRow]) -> list[dict[str, Any]]:
    told = []
    for row in rows:
        assert beside is not None
        made = dict(row.as_json())
        name, span = beside.decided_after(row)
        made["change"] = row.change
        made["after"] = {
            "outcome": row.outcomes[1],
            "decided_by": name,
            "span": span_as_json(span) if span else None,
        }
        told.append(made)
    return told


def _line_json(line: FoundLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "device": line.device,
        "addresses": [str(one) for one in line.addresses],
        "next_hops": [str(one) for one in line.next_hops],
        "role": line.role,
        "reasons": list(line.reasons),
        "unsure": line.unsure,
    }


def _area_json(area: FoundArea) -> dict[str, Any]:
    return {
        "name": area.name,
        "device": area.device,
        "prefixes": [str(one) for one in area.prefixes],
        "gateway": [str(one) for one in area.gateway],
        "hosts": area.hosts,
        "reasons": list(area.reasons),
        "unsure": area.unsure,
    }


def _unsaid_json(one: Unsaid) -> dict[str, Any]:
    span = span_as_json(one.span) if one.span else None
    return {"words": one.words, "instead": one.instead, "span": span}


def _segment(kind: str, one: FoundLine | FoundArea, addresses: str, width: int) -> Iterator[str]:
    unsure = " (unsure: name it with --line or --area)" if one.unsure else ""
    yield from wrap(f"{kind} {one.name}: {one.device}  {addresses}{unsure}", width)


def _place(span: Span | None) -> str:
    return f"  [{span.file}:{span.line}]" if span is not None else ""


def _bullet(text: str, width: int) -> Iterator[str]:
    yield from wrap(
        text, width, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
    )


def _change_lines(beside: Beside, row: ChangeRow, width: int) -> Iterator[str]:
    when = "" if row.when == "always" else f" ({row.when})"
    after, span = beside.decided_after(row)
    before = row.deciders[0]
    place = _place(before.span) if before.chain else ""
    yield from _bullet(
        f"{row.change}: {row.starter} -> {row.to} with {row.service}{when}: {row.count:,}", width
    )
    for text in (
        f"before: {row.outcomes[0]} by {before.text}{place}",
        f"after: {row.outcomes[1]} by {after}{_place(span)}",
        f"for instance: {row.witness.sentence}",
    ):
        yield from wrap(
            text,
            width,
            initial_indent="      ",
            subsequent_indent="        ",
            break_on_hyphens=False,
        )


def _besides_lines(beside: Beside, rows: Sequence[ChangeRow], width: int) -> Iterator[str]:
    """What housekeeping decides, and what only one side has: a line each."""
    if rows:
        yield "besides, by what every charter does, or about addresses that only one side has:"
    for row in rows:
        after, _ = beside.decided_after(row)
        yield from _bullet(
            f"{row.change} by {after}: {row.count:,}; for instance: {row.witness.sentence}", width
        )


def _charted_lines(charted: Charted, width: int) -> Iterator[str]:
    """How the first charter differs from the gateway."""
    if charted.beside is None:
        yield from wrap(f"the charter was not compared: {charted.reason}", width)
        return
    rows = charted.beside.difference.rows
    if not rows:
        yield "the charter does with every connection that both know what the gateway does: proven."
    else:
        yield f"{len(rows)} things the charter does otherwise:"
    for row in rows[:SHOWN]:
        yield from _change_lines(charted.beside, row, width)
    if len(rows) > SHOWN:
        yield f"  and {len(rows) - SHOWN} more; --compare has them all."
    count = len(charted.beside.difference.besides)
    if count:
        yield f"  (besides, {count} kinds of housekeeping; --compare has them.)"
