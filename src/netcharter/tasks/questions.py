"""`ask` and `why`: one charter asked about its connections."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from textwrap import wrap
from typing import Any
from zoneinfo import ZoneInfo

from netcharter.plan.shapes import Plan
from netcharter.proofs.ask import (
    Answer,
    Inquiry,
    NotUnderstood,
    ask,
    ask_terms,
    parse_question,
)
from netcharter.proofs.ask_names import (
    NamesAnswer,
    ask_names,
    is_about_names,
    parse_names_question,
)
from netcharter.proofs.certify import Prover
from netcharter.proofs.moments import UnknownMoment, parse_moment
from netcharter.proofs.naming import listed
from netcharter.proofs.promises import ground_of
from netcharter.proofs.story import row_name
from netcharter.proofs.why import Step, Story, why
from netcharter.proofs.why_name import NameStory, why_name
from netcharter.report.limits import WHERE
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.sources import Source, answerable, unusable, usable_plan

ITSELF = "the gateway itself"  # how a row names it
FEW = 8  # rows of housekeeping that are told where there is nothing else


@dataclass(frozen=True, slots=True)
class Asked:
    """The rows of an answer, about connections or about look-ups; `complete` is False where the
    listing was cut."""

    answer: Answer
    at: datetime | None
    names: NamesAnswer | None = None

    def as_json(self) -> dict[str, Any]:
        """`ok`, `rows`, `names`, `complete`, `at` (the instant asked about, or null for any)."""
        names = self.names or NamesAnswer()
        return {
            "ok": True,
            "rows": [dict(row.as_json()) for row in self.answer.rows],
            "names": [dict(row.as_json()) for row in names.rows],
            "complete": self.answer.complete and names.complete,
            "at": self.at.isoformat() if self.at else None,
        }

    def lines(self) -> Iterator[str]:
        """The answer for people: one block per decision."""
        if self.names is not None:
            yield from _named(self.names)
            yield WHERE
            return
        written = [row for row in self.answer.rows if not row.housekeeping]
        kept = [row for row in self.answer.rows if row.housekeeping]
        others = [row for row in kept if row.starter != ITSELF]
        shown = written or (others if len(others) <= FEW else [])
        decider = None
        for row in shown:
            if row.decided_by != decider:
                decider = row.decided_by
                place = f"  [{row.span.file}:{row.span.line}]" if row.span else ""
                yield f"{row.outcome} by {row.decided_by}{place}"
            when = "" if row.when in ("always", "then") else f" ({row.when})"
            yield f"    {row.starter} -> {row.to} with {row.service}{when}"
        if not self.answer.complete:
            yield "and more: the listing was cut, ask more narrowly."
        else:
            yield "and nothing else." if shown else "Nobody, by nothing that the charter lets."
        if kept and shown is not others:
            names = listed(dict.fromkeys(row.decided_by for row in kept))
            yield f"(Besides, as at every site: {names}; --json has their rows.)"
        yield WHERE


def _named(found: NamesAnswer) -> Iterator[str]:
    """What becomes of look-ups. Housekeeping is told where there is little else."""
    kept = [row for row in found.rows if row.housekeeping]
    shown = [row for row in found.rows if not row.housekeeping or len(found.rows) <= FEW]
    decider = None
    for row in shown:
        if row.decided_by != decider:
            decider = row.decided_by
            place = f"  [{row.span.file}:{row.span.line}]" if row.span else ""
            yield f"{row.outcome} by {row.decided_by}{place}"
        when = "" if row.when in ("always", "then") else f" ({row.when})"
        line = f", line {row.line} of the list {row.list}" if row.list else ""
        to = f", as {row.to}" if row.to else ""
        yield f"    {row.who}: {row.name}{to}{when}{line}"
    if not found.complete:
        yield "and more: the listing was cut, ask more narrowly."
    if len(shown) < len(found.rows):
        names = listed(dict.fromkeys(row.decided_by for row in kept))
        yield f"(Besides, as at every site: {names}; --json has their rows.)"


def ask_charter(
    source: Source,
    question: str | None,
    now: datetime,
    *,
    who: Sequence[str] = (),
    reach: Sequence[str] = (),
    services: Sequence[str] = (),
    at: str | None = None,
    as_of: str | None = None,
) -> Asked:
    """Who can reach what, or look up which names. A question in words, or terms; terms are added to
    the question."""
    loaded = usable_plan(source)
    plan = loaded.plan
    now = judged_from(now, as_of, plan.timezone)
    asked = question or " ".join([*who, *reach, *services])
    try:
        if question and is_about_names(question):
            _demand_no_connection(reach, services)
            about = parse_names_question(question, plan, who)
            instant = _moment(plan, at, now)
            with answerable(loaded):
                names = ask_names(plan, replace(about, at=instant), now)
            return Asked(Answer((), True), instant, names)
        inquiry = parse_question(question, ground_of(plan)) if question else Inquiry()
        inquiry = ask_terms(inquiry, ground_of(plan), who, reach, services)
        instant = _moment(plan, at, now)
        with answerable(loaded):
            return Asked(ask(Prover(plan, now), replace(inquiry, at=instant)), instant)
    except NotUnderstood as wrong:
        raise unusable(
            "question-not-understood", str(wrong), "question", asked, wrong.instead
        ) from None


def _demand_no_connection(reach: Sequence[str], services: Sequence[str]) -> None:
    """Raises NotUnderstood for what says nothing of a look-up."""
    said = "`--to`" if reach else "`--with`" if services else ""
    if said:
        raise NotUnderstood(
            f"{said} is about a connection, and this is a look-up", f"leave {said} out"
        )


def _moment(plan: Plan, at: str | None, now: datetime) -> datetime | None:
    if at is None:
        return None
    try:
        return parse_moment(at, ZoneInfo(plan.timezone), now)
    except UnknownMoment as wrong:
        raise unusable("moment-not-understood", str(wrong), "--at", at, wrong.instead) from None


@dataclass(frozen=True, slots=True)
class Explained:
    """The stories of one connection, one per family where the families differ."""

    stories: tuple[Story, ...]

    def as_json(self) -> dict[str, Any]:
        """`ok`, and of the first story `headline`, `steps`, `outcome`, `manner`, `decided_by`;
        `stories` holds all of them.
        """
        told = [_story_json(story) for story in self.stories]
        return {"ok": True, **told[0], "stories": told}

    def lines(self, width: int) -> Iterator[str]:
        """A paragraph per story with numbered causes, each with its place in the charter."""
        for number, story in enumerate(self.stories):
            if number:
                yield ""
            yield from _told(story.headline, story.steps, width)
        yield from wrap(WHERE, width)


def _told(headline: str, steps: Sequence[Step], width: int) -> Iterator[str]:
    yield from wrap(headline, width)
    for count, step in enumerate(steps, 1):
        place = f"  [{step.span.file}:{step.span.line}]" if step.span else ""
        yield from wrap(
            f"{step.text}{place}",
            width,
            initial_indent=f"  {count}. ",
            subsequent_indent="     ",
            break_on_hyphens=False,
            break_long_words=False,
        )


def _story_json(story: Story) -> dict[str, Any]:
    return {
        "headline": story.headline,
        "steps": [dict(step.as_json()) for step in story.steps],
        "outcome": "let" if story.outcome.let else "refused",
        "manner": story.outcome.manner,
        "decided_by": row_name(story.outcome.row),
        "entrance": story.entrance,
        "families": list(story.families),
    }


@dataclass(frozen=True, slots=True)
class ExplainedName:
    """The story of one look-up."""

    story: NameStory

    def as_json(self) -> dict[str, Any]:
        """`ok`, and the story: `headline`, `steps`, `name`, `type`, `outcome`, `certain`,
        `decided_by`, `list`, `line`, `entry`, `to`, `addresses`, `area`, `may`.
        """
        return {"ok": True, **self.story.as_json()}

    def lines(self, width: int) -> Iterator[str]:
        """A paragraph with numbered causes, each with its place in the charter."""
        yield from _told(self.story.headline, self.story.steps, width)
        yield from wrap(WHERE, width)


def explain_name(
    source: Source,
    starter: str,
    name: str,
    type: str,
    now: datetime,
    *,
    at: str | None = None,
    as_of: str | None = None,
) -> ExplainedName:
    """One look-up's story. type: of the record, A or HTTPS for instance."""
    plan = usable_plan(source).plan
    now = judged_from(now, as_of, plan.timezone)
    try:
        return ExplainedName(why_name(plan, starter, name, type, _moment(plan, at, now) or now))
    except NotUnderstood as wrong:
        asked = f"{starter} {name} {type}"
        raise unusable(
            "question-not-understood", str(wrong), "question", asked, wrong.instead
        ) from None


def explain(
    source: Source,
    starter: str,
    target: str,
    service: str,
    now: datetime,
    *,
    at: str | None = None,
    who: str | None = None,
    down: Sequence[str] = (),
    as_of: str | None = None,
) -> Explained:
    """One connection's story."""
    plan = usable_plan(source).plan
    now = judged_from(now, as_of, plan.timezone)
    instant = _moment(plan, at, now) or now
    try:
        return Explained(why(plan, starter, target, service, instant, who=who, down=down))
    except NotUnderstood as wrong:
        asked = f"{starter} {target} {service}"
        raise unusable(
            "question-not-understood", str(wrong), "question", asked, wrong.instead
        ) from None
