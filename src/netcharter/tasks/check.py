"""`check`: judge a charter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from textwrap import wrap
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.jsonshape import as_json, span_as_json
from netcharter.proofs import Proof, prove
from netcharter.proofs.exposure import Exposed, Exposure, exposure
from netcharter.proofs.naming import listed
from netcharter.report.limits import LIMITS, cautions, told
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.sources import Loaded, Source, answerable, load_plan


@dataclass(frozen=True)
class Checked:
    """The judgement of one charter, with everything that is needed to tell it."""

    proof: Proof
    findings: tuple[Diagnostic, ...]
    loaded: Loaded
    exposure: Exposure

    @property
    def texts(self) -> Mapping[str, str]:
        """What to underline."""
        return self.loaded.texts

    @property
    def ok(self) -> bool:
        """Nothing wrong: no error finding, every promise proven."""
        return self.proof.ok and all(d.severity != "error" for d in self.findings)

    def as_json(self) -> dict[str, Any]:
        """`ok`, `findings`, `promises` (with `connection`, the witness in its parts), `exposure`,
        `counts`, `limits`, `cautions`.
        """
        promises = []
        for result in self.proof.promises:
            told = self.proof.witness(result)
            promises.append(
                {
                    "text": result.text,
                    "holds": result.holds,
                    "span": span_as_json(result.span),
                    "witness": told.sentence if told else result.reason,
                    "connection": told.as_json() if told else None,
                    "relays": list(result.relays),
                    "written": result.number is not None,
                    "about": result.about or None,
                }
            )
        return {
            "ok": self.ok,
            "findings": [as_json(d) for d in self.findings],
            "promises": promises,
            "exposure": {
                "complete": self.exposure.complete,
                "seen": [one.as_json() for one in self.exposure.seen],
            },
            "counts": dict(self.proof.counts()),
            "limits": list(LIMITS),
            "cautions": list(cautions(self.proof.prover.plan)),
        }


def check(source: Source, now: datetime, as_of: str | None = None) -> Checked:
    """Read, plan and prove, from now on or as of another date or moment. Raises Unusable."""
    loaded = load_plan(source)
    with answerable(loaded):
        proof = prove(loaded.plan, judged_from(now, as_of, loaded.plan.timezone))
        seen = exposure(proof.prover)
    return Checked(proof, (*loaded.diagnostics, *proof.findings), loaded, seen)


def summary(checked: Checked, width: int = 100) -> Iterator[str]:
    """The promises one by one, what the internet sees, the counts, the limits of what was proven,
    and what to mind."""
    for result in checked.proof.promises:
        mark = "proven " if result.holds else "BROKEN "
        own = "" if result.number is not None else f"  ({result.about})"
        yield f"{mark} {result.text}{own}"
        if result.relays:
            yield f"         left aside, as housekeeping: {listed(result.relays)}"
    yield from internet_sees(checked, width)
    counts = checked.proof.counts()
    broken = counts["promises_broken"]
    yield (
        f"{counts['promises']} promises, {broken} broken; "
        + ", ".join(f"{counts[name]} {name}" for name in ("errors", "warnings", "notes"))
        + f"; {counts['decisions']} decisions looked at."
    )
    yield from told("limits of what is proven", LIMITS, width)
    yield from told("please mind", cautions(checked.proof.prover.plan), width)


def internet_sees(checked: Checked, width: int = 100) -> Iterator[str]:
    """What can be started by each line in each family, what the charter says of it first."""
    seen = checked.exposure
    yield "what the internet sees:"
    for line in (one.name for one in checked.proof.prover.plan.lines):
        for family in (4, 6):
            carried = (line, family) in seen.carried
            yield f"  {line}, IPv{family}" + ("" if carried else ": not carried")
            if carried:
                yield from _seen(seen.of(line, family), width)
    if not seen.complete:
        yield "  and more: the list was cut"


def _seen(found: Sequence[Exposed], width: int) -> Iterator[str]:
    chosen: dict[tuple[str, ...], list[str]] = {}
    for one in found:
        if not one.aside:
            there = "" if one.who == "anyone there" else f", from {one.who}"
            to = f", delivered to {one.delivered}" if one.delivered else ""
            when = "" if one.when == "always" else f", {one.when}"
            told = (one.service, f"{to}{there}{when}: {one.decided_by}")
            chosen.setdefault(told, []).append(one.address)
    lines = [f"{service} at {listed(to)}{rest}" for (service, rest), to in chosen.items()]
    aside = listed(dict.fromkeys(one.aside for one in found if one.aside))
    lines += [f"housekeeping: {aside}"] if aside else []
    for line in lines or ["nothing"]:
        yield from wrap(line, width, initial_indent="    ", subsequent_indent="      ")


def page_of(checked: Checked, made: datetime) -> str:
    """The judgement as one self-contained page, made at this aware instant."""
    from netcharter.report.page import proof_page

    with answerable(checked.loaded):
        return proof_page(checked.proof, checked.texts, made, checked.findings)
