"""What is true of a plan: findings, promises, differences, answers; each with its certificate."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from netcharter.diagnostics import Diagnostic
from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import Prover
from netcharter.proofs.device_audit import EVERY_DEVICE
from netcharter.proofs.discovery_audit import EVERY_DISCOVERY
from netcharter.proofs.emergency_audit import EVERY_EMERGENCY
from netcharter.proofs.exit_audit import EVERY_EXIT
from netcharter.proofs.exposure import prove_outside
from netcharter.proofs.family_audit import one_family
from netcharter.proofs.finishing import with_lingering
from netcharter.proofs.hours_audit import EVERY_HOURS
from netcharter.proofs.leading_audit import leading_findings
from netcharter.proofs.names_audit import names_findings
from netcharter.proofs.promises import PromiseResult, prove_promises
from netcharter.proofs.rules_audit import EVERY_RULE, Audit
from netcharter.proofs.site_audit import EVERY_SITE, broken_promises, lock_out, opened_outside
from netcharter.proofs.story import Connection, Teller
from netcharter.proofs.twins import prove_families

__all__ = ["Proof", "Prover", "prove"]

_ORDER = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True)
class Proof:
    """Everything `check` has to say: findings in order of weight and place, and the promises."""

    prover: Prover
    findings: tuple[Diagnostic, ...]
    promises: tuple[PromiseResult, ...]

    @property
    def ok(self) -> bool:
        """No error finding, no broken promise."""
        return not any(d.severity == "error" for d in self.findings) and all(
            p.holds for p in self.promises
        )

    def witness(self, result: PromiseResult) -> Connection | None:
        """The connection that breaks a promise."""
        if result.point is None or result.row is None:
            return None
        return Teller(self.prover.universe).connection(result.point, result.row)

    def twin(self, result: PromiseResult) -> Connection | None:
        """Of a broken promise about both families: the same connection in IPv4, which is refused."""
        if result.twin is None:
            return None
        return Teller(self.prover.universe).connection(result.twin.point, result.twin.row)

    def shown(self, result: PromiseResult) -> str:
        """What breaks the promise, in sentences; "" where no single connection shows it."""
        told, twin = self.witness(result), self.twin(result)
        sentence = told.sentence if told else ""
        return f"{sentence} The same in IPv4: {twin.sentence}" if twin else sentence

    def counts(self) -> Mapping[str, int]:
        """How much there is, and how many findings of each weight."""
        charter = self.prover.plan.charter
        found = {f"{s}s": sum(d.severity == s for d in self.findings) for s in _ORDER}
        return {
            **found,
            "rules": len(charter.rules),
            "offers": len(charter.offers),
            "promises": len(self.promises),
            "promises_broken": sum(not p.holds for p in self.promises),
            "decisions": len(self.prover.plan.rows),
        }


def prove(plan: Plan, now: datetime) -> Proof:
    """Judge a plan from `now` on."""
    prover = Prover(plan, now)
    told = with_lingering(prover, prove_promises(prover))
    results = (*told, prove_outside(prover), prove_families(prover))
    audit = Audit(prover)
    found = list(plan.notes)
    found += broken_promises(audit, results)
    found += lock_out(audit, results)
    found += opened_outside(audit, results)
    looks = (
        *EVERY_SITE,
        *EVERY_HOURS,
        *EVERY_EMERGENCY,
        *EVERY_DEVICE,
        *EVERY_RULE,
        one_family,
        *EVERY_EXIT,
        *EVERY_DISCOVERY,
        names_findings,
        leading_findings,
    )
    for look in looks:
        found += look(audit)
    found.sort(key=lambda d: (_ORDER[d.severity], d.span))
    return Proof(prover, tuple(found), results)
