"""`rehearse`: the kit of a charter in a lab, tried with real packets."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from math import ceil
from pathlib import Path
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.lab.advertised import Advertised
from netcharter.lab.agreement import Unreadable
from netcharter.lab.discovered import Discovered
from netcharter.lab.leftovers import put
from netcharter.lab.lent import Lent
from netcharter.lab.named import Named
from netcharter.lab.rehearsal import TIME, Rehearsal, rehearse
from netcharter.lab.trouble import CommandFailed, LabFailed, LabImpossible
from netcharter.plan.coding import hardware_text
from netcharter.plan.fate import Attempt, Environment
from netcharter.probes.programme import MOST
from netcharter.probes.shapes import Arrival, Expected, Mismatch, Probe, Seen
from netcharter.proofs import prove
from netcharter.proofs.ask import NotUnderstood
from netcharter.proofs.why import attempts
from netcharter.report.limits import REHEARSED, cautions
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.kit import render_charter
from netcharter.tasks.sources import Loaded, Source, Unusable, answerable, unusable, usable_plan


@dataclass(frozen=True)
class Rehearsed:
    """A rehearsal and the charter it is of. broken: how many of its promises do not hold."""

    found: Rehearsal
    loaded: Loaded
    broken: int

    def write_captures(self, folder: Path) -> None:
        """Put the frames of mismatches (pcapng) into a folder, made if there are any; what a killed
        run left in it goes. Raises OSError if it cannot be written.
        """
        put(folder, self.found.captures)

    @property
    def ok(self) -> bool:
        """Every probe was seen as predicted, and the kernel has loaded the plan. That a promise is
        broken is the charter's fault, not the kit's.
        """
        return self.found.ok

    def as_json(self, folder: str | None = None) -> dict[str, Any]:
        """The documented shape; `folder`: where captures were written."""
        found = self.found
        return {
            "ok": self.ok,
            "probes": found.probes,
            "agreed": found.agreed,
            "mismatches": [self._mismatch(each, folder) for each in found.mismatches],
            "unprobed": [{"what": each.what, "why": each.why} for each in found.unprobed],
            "seconds": ceil(found.seconds),
            "tried": found.done,
            "repeated": found.repeated,
            "listed": [self._listed(probe, seen) for probe, seen in found.listed],
            "kernel": found.kernel.as_json(),
            "advertised": None if found.advertised is None else _advertised(found.advertised),
            "lent": None if found.lent is None else _lent(found.lent),
            "named": None if found.named is None else _named(found.named),
            "discovered": None if found.discovered is None else _discovered(found.discovered),
            "around": {"tried": found.around[0], "as_told": found.around[1]},
            "differs": list(found.differs),
            "promises_broken": self.broken,
            "limits": list(REHEARSED),
            "cautions": list(cautions(self.loaded.plan)),
        }

    def _mismatch(self, found: Mismatch, folder: str | None) -> dict[str, Any]:
        return {
            **self._listed(found.probe, found.seen),
            "differences": list(found.differences),
            "capture": _captured(found, folder),
        }

    def _listed(self, probe: Probe, seen: Seen) -> dict[str, Any]:
        rows = {row.label: row for row in self.loaded.plan.rows}
        row = rows.get(probe.row)
        return {
            "told": probe.told,
            "purpose": probe.purpose,
            "decided_by": probe.row or None,
            "span": span_as_json(row.span) if row and row.span else None,
            "probe": _probe(probe),
            "expected": _expected(probe.expected),
            "seen": _seen(seen),
        }


def rehearse_charter(
    source: Source,
    now: datetime,
    as_of: str | None = None,
    *,
    only: tuple[str, str, str] | None = None,
    limit: int | None = None,
    seconds: float | None = None,
    on_progress: Callable[[int, int, str], None] | None = None,
) -> Rehearsed:
    """Plan, prove, render and rehearse, from now on or as of another date or moment: at most so
    many probes, in about so many seconds.

    only: who starts, what is reached and with which service, where just that is to be tried.
    Raises Unusable where the charter can't be used, or there can be no lab.
    """
    loaded = usable_plan(source)
    files = render_charter(source).kit.files
    moment = judged_from(now, as_of, loaded.plan.timezone)
    asked = () if only is None else _attempts(loaded, only, moment)
    with answerable(loaded):
        proof = prove(loaded.plan, moment)
        with _possible(loaded):
            found = rehearse(
                loaded.plan,
                files,
                moment,
                only=asked,
                limit=MOST if limit is None else limit,
                seconds=TIME if seconds is None else seconds,
                on_progress=on_progress,
            )
    return Rehearsed(found, loaded, sum(not promise.holds for promise in proof.promises))


def _attempts(
    loaded: Loaded, only: tuple[str, str, str], moment: datetime
) -> tuple[tuple[Attempt, Environment], ...]:
    try:
        return attempts(loaded.plan, *only, moment)
    except NotUnderstood as wrong:
        raise unusable(
            "question-not-understood", str(wrong), "question", " ".join(only), wrong.instead
        ) from None


@contextmanager
def _possible(loaded: Loaded) -> Iterator[None]:
    """What keeps a lab from being, as a word to the user."""
    try:
        yield
    except LabImpossible as fault:
        message, instead = f"there can be no lab here: {fault.reason}", fault.remedy
    except CommandFailed as fault:
        message = f"the kit can't be put in place in the lab: {fault}"
        instead = "the message is the program's own; a newer one, or another kernel, may do better"
    except Unreadable as fault:
        message = f"what the kernel has loaded can't be read back: {fault}"
        instead = "install a current nftables"
    except (LabFailed, OSError) as fault:  # a time that was over among them
        message, instead = f"the lab came to an untimely end: {fault}", "rehearse again"
    else:
        return
    span = loaded.plan.charter.where()
    wrong = Diagnostic("cannot-rehearse", "error", message, span, help=instead)
    raise Unusable((wrong,), loaded.texts) from None


# --- the documented shape -------------------------------------------------------------------------


def _advertised(found: Advertised) -> dict[str, Any]:
    return {
        "ok": found.ok,
        "skipped": found.skipped or None,
        "areas": found.areas,
        "prefixes": found.prefixes,
        "of_lines": found.of_lines,
        "way_out": found.way_out,
        "untried": list(found.untried),
        "differences": list(found.differences),
    }


def _lent(found: Lent) -> dict[str, Any]:
    return {
        "ok": found.ok,
        "skipped": found.skipped or None,
        "areas": found.areas,
        "clients": found.clients,
        "lasting": found.lasting,
        "refused": found.refused,
        "time": found.time,
        "differences": list(found.differences),
    }


def _named(found: Named) -> dict[str, Any]:
    return {
        "ok": found.ok,
        "skipped": found.skipped or None,
        "areas": found.areas,
        "questions": found.questions,
        "ruled": found.ruled,
        "outside": found.outside,
        "untried": list(found.untried),
        "differences": list(found.differences),
    }


def _discovered(found: Discovered) -> dict[str, Any]:
    return {
        "ok": found.ok,
        "skipped": found.skipped or None,
        "areas": found.areas,
        "found": found.found,
        "kept": found.kept,
        "untried": list(found.untried),
        "differences": list(found.differences),
    }


def _probe(probe: Probe) -> dict[str, Any]:
    packet, setting = probe.packet, probe.setting
    hardware = None if packet.hardware is None else hardware_text(packet.hardware)
    return {
        "number": probe.number,
        "station": probe.station,
        "shape": probe.shape,
        "source": str(packet.source),
        "destination": str(packet.destination),
        "hardware": hardware,
        "protocol": packet.protocol,
        "service": packet.number,
        "port": packet.port,
        "lines_up": sorted(setting.up),
        "filled": sorted((*setting.open, *setting.joins)),
    }


def _expected(expected: Expected) -> dict[str, Any]:
    sources = [
        {"station": station, "source": str(source)} for station, source in expected.sources.items()
    ]
    return {
        "answer": expected.answer,
        "counters": list(expected.counters),
        "arrives": sorted(expected.arrives),
        "destination": None if expected.destination is None else str(expected.destination),
        "service": expected.number,
        "sources": sources,
    }


def _seen(seen: Seen) -> dict[str, Any]:
    counters = [{"name": name, "packets": count} for name, count in seen.counters.items()]
    return {
        "answer": seen.answer,
        "counters": counters,
        "arrivals": [_arrival(each) for each in seen.arrivals],
    }


def _arrival(arrival: Arrival) -> dict[str, Any]:
    return {
        "station": arrival.station,
        "source": str(arrival.source),
        "destination": str(arrival.destination),
        "service": arrival.number,
    }


def _captured(found: Mismatch, folder: str | None) -> str | None:
    if found.capture is None or folder is None:
        return None
    return f"{folder.rstrip('/')}/{found.capture}"
