"""A judgement in lines of text: `check` as it is told on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from textwrap import wrap

from netcharter.proofs.exposure import Exposed
from netcharter.proofs.naming import listed
from netcharter.proofs.outages import LineState
from netcharter.proofs.promises import PromiseResult
from netcharter.report.limits import LIMITS, cautions, told
from netcharter.tasks.check import Checked

MOST = 12  # rules that are named; `--json` has all


def summary(checked: Checked, width: int = 100) -> Iterator[str]:
    """The promises one by one, what the internet sees, what is lost when lines fail, the counts, the
    limits of what was proven, and what to mind."""
    for result in checked.proof.promises:
        mark = "proven " if result.holds else "BROKEN "
        own = "" if result.number is not None else f"  ({result.about})"
        yield f"{mark} {result.text}{own}"
        if result.relays:
            yield f"         left aside, as housekeeping: {listed(result.relays)}"
        yield from _both_families(checked, result, width)
        if result.lingering:
            let = "lets" if len(result.lingering) == 1 else "let"
            yield f"         {listed(result.lingering)} {let} open conversations finish, which goes on"
    yield from internet_sees(checked, width)
    yield from when_lines_fail(checked, width)
    counts = checked.proof.counts()
    broken = counts["promises_broken"]
    yield (
        f"{counts['promises']} promises, {broken} broken; "
        + ", ".join(f"{counts[name]} {name}" for name in ("errors", "warnings", "notes"))
        + f"; {counts['decisions']} decisions looked at."
    )
    yield from told("limits of what is proven", LIMITS, width)
    yield from told("please mind", cautions(checked.proof.prover.plan), width)


def _both_families(checked: Checked, result: PromiseResult, width: int) -> Iterator[str]:
    """Of the promise about both: what breaks it, since no finding tells it, and what is left aside."""
    count = len(result.one_family)
    lines = [checked.proof.shown(result)] if result.twin else []
    if count:
        lines.append(f"left aside, being of one family ({count}): {listed(result.one_family)}")
    for line in lines:
        yield from wrap(line, width, initial_indent=" " * 9, subsequent_indent=" " * 11)


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
            most = f", at most {one.limit}" if one.limit else ""
            told = (one.service, f"{to}{there}{when}{most}: {one.decided_by}")
            chosen.setdefault(told, []).append(one.address)
    lines = [f"{service} at {listed(to)}{rest}" for (service, rest), to in chosen.items()]
    aside = listed(dict.fromkeys(one.aside for one in found if one.aside))
    lines += [f"housekeeping: {aside}"] if aside else []
    for line in lines or ["nothing"]:
        yield from wrap(line, width, initial_indent="    ", subsequent_indent="      ")


def when_lines_fail(checked: Checked, width: int = 100) -> Iterator[str]:
    """State by state what is lost, but for what fewer lines down already take away."""
    yield "when lines fail:"
    told: dict[frozenset[str], set[str]] = {}
    for state in checked.states:
        down = frozenset(state.down)
        before: set[str] = set().union(*(said for less, said in told.items() if less < down))
        lines = list(_lost(state))
        told[down] = {*before, *lines}
        new = [line for line in lines if line not in before]
        if not down or not (new or len(down) == 1):
            continue
        yield f"  {listed(state.down)} down"
        for line in new or ["nothing is lost"]:
            yield from wrap(line, width, initial_indent="    ", subsequent_indent="      ")


def _lost(state: LineState) -> Iterator[str]:
    for name, _ in state.offers:
        yield f"{name} can't be reached from outside"
    for text, how in state.promises:
        if how == "aside":
            yield f"no way out for: {text}"
    for one in state.closed:
        if one.whole:
            yield f"nothing leads to the internet over IPv{one.family}"
            continue
        names = [name for name, _ in one.rules]
        more = f" and {len(names) - MOST} more" if len(names) > MOST + 1 else ""
        said = listed(names) if not more else ", ".join(names[:MOST]) + more
        which = f"by addresses of {one.by}" if one.exit is None else f"for {one.exit}"
        yield f"nothing leads to the internet over IPv{one.family} {which}: {said}"
