"""The judgement as sections of a page: verdict, promises, findings, decisions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from netcharter.diagnostics import Diagnostic, Severity, Span
from netcharter.plan.shapes import Names, Offer, Plan, Row, Rule
from netcharter.proofs import Proof
from netcharter.proofs.naming import listed
from netcharter.report.wording import (
    ExcerptLine,
    Sources,
    Spot,
    counted,
    one_line,
    paragraphs,
)

WEIGHTS: tuple[Severity, ...] = ("error", "warning", "note")


@dataclass(frozen=True, slots=True)
class Verdict:
    """The judgement in a few words."""

    holds: bool
    promises: str
    findings: str


@dataclass(frozen=True, slots=True)
class PromiseView:
    number: int
    text: str
    about: str  # what it is about where nobody needs to write it; else ""
    holds: bool
    because: str
    shown_by: str  # the witness as a sentence, or why it cannot hold
    relays: tuple[str, ...]
    one_family: tuple[str, ...]  # what is left aside because it is of one address family alone
    lingering: tuple[str, ...]
    spot: Spot | None


@dataclass(frozen=True, slots=True)
class Aside:
    """Another place that takes part in a finding."""

    words: str
    spot: Spot | None
    excerpt: tuple[ExcerptLine, ...]


@dataclass(frozen=True, slots=True)
class FindingView:
    id: str
    severity: Severity
    headline: str
    more: tuple[str, ...]
    spot: Spot | None
    excerpt: tuple[ExcerptLine, ...]
    witness: tuple[str, ...]
    instead: tuple[str, ...]
    asides: tuple[Aside, ...]


@dataclass(frozen=True, slots=True)
class Weight:
    """All findings of one weight."""

    severity: Severity
    findings: tuple[FindingView, ...]

    @property
    def count(self) -> int:
        return len(self.findings)


@dataclass(frozen=True, slots=True)
class Decision:
    number: int
    name: str
    sentence: str
    outcome: str
    because: str
    basis: str
    spot: Spot | None


@dataclass(frozen=True, slots=True)
class Stretch:
    """Decisions that follow each other, either all of the charter or all housekeeping."""

    housekeeping: bool
    decisions: tuple[Decision, ...]


def verdict(proof: Proof, findings: Sequence[Diagnostic]) -> Verdict:
    """Whether all promises hold, and how much was found."""
    broken = sum(not p.holds for p in proof.promises)
    total = len(proof.promises)
    promises = {
        total == 0: "The charter makes no promises",
        total > 0 and broken == 0: f"All {counted(total, 'promise')} hold",
        broken > 0: f"{broken} of {counted(total, 'promise')} "
        + ("is broken" if broken == 1 else "are broken"),
    }[True]
    if total == 1:
        promises = "The one promise is broken" if broken else "The one promise holds"
    parts = [
        counted(number, word)
        for word in WEIGHTS
        if (number := sum(d.severity == word for d in findings))
    ]
    told = f"{counted(len(findings), 'finding')}" + (f": {', '.join(parts)}" if parts else "")
    holds = broken == 0 and not any(d.severity == "error" for d in findings)
    return Verdict(holds, promises, told if findings else "no findings")


def promises(proof: Proof, sources: Sources) -> tuple[PromiseView, ...]:
    """Every promise, with what shows that it is broken."""
    charter = proof.prover.plan.charter
    found = []
    for number, result in enumerate(proof.promises, 1):
        written = None if result.number is None else charter.promises[result.number]
        found.append(
            PromiseView(
                number=number,
                text=result.text,
                about=result.about,
                holds=result.holds,
                because=one_line(written.because) if written else "",
                shown_by=proof.shown(result) or one_line(result.reason),
                relays=result.relays,
                one_family=result.one_family,
                lingering=result.lingering,
                spot=sources.spot(result.span),
            )
        )
    return tuple(found)


def weights(findings: Sequence[Diagnostic], sources: Sources) -> tuple[Weight, ...]:
    """Findings grouped by weight, the heaviest first; weights without any are left out."""
    groups = (
        Weight(word, tuple(_finding(d, sources) for d in findings if d.severity == word))
        for word in WEIGHTS
    )
    return tuple(group for group in groups if group.findings)


def _finding(diagnostic: Diagnostic, sources: Sources) -> FindingView:
    headline, *more = paragraphs(diagnostic.message) or (diagnostic.id,)
    return FindingView(
        id=diagnostic.id,
        severity=diagnostic.severity,
        headline=headline,
        more=tuple(more),
        spot=sources.spot(diagnostic.span),
        excerpt=sources.excerpt(diagnostic.span),
        witness=paragraphs(diagnostic.witness),
        instead=paragraphs(diagnostic.help),
        asides=tuple(_aside(span, words, sources) for span, words in diagnostic.related),
    )


def _aside(span: Span, words: str, sources: Sources) -> Aside:
    return Aside(one_line(words), sources.spot(span), sources.excerpt(span))


def stretches(proof: Proof, sources: Sources) -> tuple[Stretch, ...]:
    """All decisions in the order in which the first match decides."""
    plan = proof.prover.plan
    told = (_decision(plan, row, sources) for row in plan.rows)
    paired = zip((_is_own(row) for row in plan.rows), told, strict=True)
    return tuple(
        Stretch(own, tuple(decision for _, decision in group))
        for own, group in groupby(paired, key=lambda pair: pair[0])
    )


def _is_own(row: Row) -> bool:
    return row.kind in ("housekeeping", "management")


def _decision(plan: Plan, row: Row, sources: Sources) -> Decision:
    return Decision(
        number=row.index + 1,
        name=row.label,
        sentence=_sentence(plan, row),
        outcome=_outcome(row),
        because=one_line(row.because),
        basis=row.basis or "",
        spot=sources.spot(row.span),
    )


def _outcome(row: Row) -> str:
    if row.let:
        return "let"
    if row.routed:
        return "refused by routing"
    return "refused quietly" if row.quiet else "refused"


def _sentence(plan: Plan, row: Row) -> str:
    """A decision as the charter writes it."""
    charter = plan.charter
    if row.kind == "sign-in":
        return f"sign-in: required at {listed(a.name for a in plan.areas if a.sign_in)}"
    if row.charter_index is None:
        return "everything else"
    if row.kind == "offer":
        offer = charter.offers[row.charter_index]
        said = [("offer", offer.services), ("on", offer.lines), ("to", (offer.to,))]
        said += [("from", offer.who)] if offer.who != ("anyone",) else []
        said += [("at", (str(offer.at),))] if offer.at is not None else []
        said += [("by a line at most", (str(row.limit),))] if row.limit is not None else []
        return _written(said, offer, row)
    rule = charter.rules[row.charter_index]
    said = [
        ("let" if rule.let else "refuse", rule.who),
        ("reach", rule.reach),
        ("with", rule.services),
    ]
    return _written(said, rule, row)


def _written(said: Sequence[tuple[str, Names]], sentence: Rule | Offer, row: Row) -> str:
    parts = [f"{word}: {_names(names)}" for word, names in said]
    parts += [f"during: {sentence.during}"] if sentence.during else []
    parts += [f"until: {sentence.until}"] if sentence.until else []
    parts += ["let-finish: true"] if row.finishing is not None else []
    return ", ".join(parts)


def _names(names: Names) -> str:
    return names[0] if len(names) == 1 else f"[{', '.join(names)}]"
