"""`check`: judge a charter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.jsonshape import as_json, span_as_json
from netcharter.proofs import Proof, prove
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

    @property
    def texts(self) -> Mapping[str, str]:
        """What to underline."""
        return self.loaded.texts

    @property
    def ok(self) -> bool:
        """Nothing wrong: no error finding, every promise proven."""
        return self.proof.ok and all(d.severity != "error" for d in self.findings)

    def as_json(self) -> dict[str, Any]:
        """`ok`, `findings`, `promises` (with `connection`, the witness in its parts), `counts`,
        `limits`, `cautions`.
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
                }
            )
        return {
            "ok": self.ok,
            "findings": [as_json(d) for d in self.findings],
            "promises": promises,
            "counts": dict(self.proof.counts()),
            "limits": list(LIMITS),
            "cautions": list(cautions(self.proof.prover.plan)),
        }


def check(source: Source, now: datetime, as_of: str | None = None) -> Checked:
    """Read, plan and prove, from now on or as of another date or moment. Raises Unusable."""
    loaded = load_plan(source)
    with answerable(loaded):
        proof = prove(loaded.plan, judged_from(now, as_of, loaded.plan.timezone))
    return Checked(proof, (*loaded.diagnostics, *proof.findings), loaded)


def summary(checked: Checked, width: int = 100) -> Iterator[str]:
    """The promises one by one, the counts, the limits of what was proven, and what to mind."""
    for result in checked.proof.promises:
        mark = "proven " if result.holds else "BROKEN "
        own = "" if result.number is not None else "  (the management path)"
        yield f"{mark} {result.text}{own}"
        if result.relays:
            yield f"         left aside, as housekeeping: {listed(result.relays)}"
    counts = checked.proof.counts()
    broken = counts["promises_broken"]
    yield (
        f"{counts['promises']} promises, {broken} broken; "
        + ", ".join(f"{counts[name]} {name}" for name in ("errors", "warnings", "notes"))
        + f"; {counts['decisions']} decisions looked at."
    )
    yield from told("limits of what is proven", LIMITS, width)
    yield from told("please mind", cautions(checked.proof.prover.plan), width)


def page_of(checked: Checked, made: datetime) -> str:
    """The judgement as one self-contained page, made at this aware instant."""
    from netcharter.report.page import proof_page

    with answerable(checked.loaded):
        return proof_page(checked.proof, checked.texts, made, checked.findings)
