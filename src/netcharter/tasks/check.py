"""`check`: judge a charter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.jsonshape import as_json, span_as_json
from netcharter.plan.hostile import stale as old_lists
from netcharter.proofs import Proof, prove
from netcharter.proofs.exposure import Exposure, exposure
from netcharter.proofs.outages import LineState, line_states
from netcharter.report.limits import LIMITS, cautions
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.sources import Loaded, Source, answerable, load_plan
from netcharter.tasks.zones import stale


@dataclass(frozen=True)
class Checked:
    """The judgement of one charter, with everything that is needed to tell it."""

    proof: Proof
    findings: tuple[Diagnostic, ...]
    loaded: Loaded
    exposure: Exposure
    states: tuple[LineState, ...]

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
        `line_states`, `counts`, `limits`, `cautions`.
        """
        promises = []
        for result in self.proof.promises:
            told, twin = self.proof.witness(result), self.proof.twin(result)
            promises.append(
                {
                    "text": result.text,
                    "holds": result.holds,
                    "span": span_as_json(result.span),
                    "witness": self.proof.shown(result) or result.reason,
                    "connection": told.as_json() if told else None,
                    "twin": twin.as_json() if twin else None,
                    "relays": list(result.relays),
                    "one_family": list(result.one_family),
                    "lingering": list(result.lingering),
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
            "line_states": [one.as_json() for one in self.states],
            "counts": dict(self.proof.counts()),
            "limits": list(LIMITS),
            "cautions": list(cautions(self.proof.prover.plan)),
        }


def check(source: Source, now: datetime, as_of: str | None = None) -> Checked:
    """Read, plan and prove, from now on or as of another date or moment. Raises Unusable."""
    loaded = load_plan(source)
    with answerable(loaded):
        begin = judged_from(now, as_of, loaded.plan.timezone)
        proof = prove(loaded.plan, begin)
        seen = exposure(proof.prover)
        states = line_states(proof.prover, proof.promises)
    told = (*stale(loaded.plan, begin), *old_lists(loaded.plan.charter, loaded.plan.lists, now))
    findings = (*loaded.diagnostics, *told, *proof.findings)
    return Checked(proof, findings, loaded, seen, states)


def page_of(checked: Checked, made: datetime) -> str:
    """The judgement as one self-contained page, made at this aware instant."""
    from netcharter.report.page import proof_page

    with answerable(checked.loaded):
        return proof_page(checked.proof, checked.texts, made, checked.findings)
