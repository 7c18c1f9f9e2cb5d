"""A rehearsal told to people: what was tried, what agreed, what did not, what could not be tried."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import wrap

from netcharter.lab.advertised import Advertised
from netcharter.lab.discovered import Discovered
from netcharter.lab.lent import Lent
from netcharter.lab.named import Named
from netcharter.lab.rehearsal import Rehearsal
from netcharter.probes.shapes import Mismatch, Probe, Seen, Unprobed
from netcharter.report.limits import REHEARSED, cautions, told
from netcharter.report.wording import counted
from netcharter.tasks.rehearse import Rehearsed

SHOWN, FEW = 12, 4  # of anything that is listed, at most; of what is of less interest
FATES: Mapping[str, str] = {
    "let": "let",
    "reset": "reset",
    "prohibited": "told that it is prohibited",
    "unreachable": "told that it leads nowhere",
    "silent": "dropped in silence",
}
KINDS: Mapping[str, str] = {
    "plain": "alone",
    "talk": "in conversation, with data both ways",
    "fragments": "in fragments",
    "extension": "behind an extension header",
    "source-routed": "source-routed",
    "no-start": "from the middle of no conversation",
    "no-question": "as answers to no question",
}


def summary(found: Rehearsed, width: int = 100, folder: str | None = None) -> Iterator[str]:
    """For people; `folder`: where captures of mismatches were written, if they were."""
    seen = found.found
    yield from _kernel(seen, width)
    for number, mismatch in enumerate(seen.mismatches[:SHOWN], 1):
        yield from _mismatch(number, mismatch, width, folder)
    yield from _more(len(seen.mismatches), "mismatches")
    if not seen.mismatches:
        for probe, what in seen.listed:
            yield from _listed(probe, what, width)
    yield from _counted(seen, width)
    yield from _around(seen, width)
    if seen.named is not None:
        yield from names(seen.named, width)
    if seen.discovered is not None:
        yield from services(seen.discovered, width)
    if seen.lent is not None:
        yield from leases(seen.lent, width)
    if seen.advertised is not None:
        yield from heard(seen.advertised, width)
    if found.broken:
        promises = "1 promise" if found.broken == 1 else f"{found.broken} promises"
        yield f"{promises} of this charter do not hold; what was rehearsed is what it says all the"
        yield "same. `netcharter check` shows why."
    yield from _unprobed(seen.unprobed, width)
    yield from told("the lab is not like the site", seen.differs, width)
    yield from told("limits of a rehearsal", REHEARSED, width)
    yield from told("please mind", cautions(found.loaded.plan), width)


def _kernel(seen: Rehearsal, width: int) -> Iterator[str]:
    """Whether what is loaded is the plan."""
    kernel = seen.kernel
    if kernel.same:
        yield "proven   what the kernel has loaded decides every attempt as the plan does"
    for each in kernel.differences[:SHOWN]:
        yield from _block(f"DIFFERS  {each.sentence}", width)
        for who, side in (("plan", each.plan), ("kernel", each.kernel)):
            yield from _block(f"         {who}: {side.outcome}, by {side.decided_by}", width)
    yield from _more(len(kernel.differences), "differences")
    if kernel.same:
        yield from told("taken for granted there", kernel.assumed[:FEW], width)
        yield from _more(len(kernel.assumed), "of these", FEW)


def _mismatch(number: int, found: Mismatch, width: int, folder: str | None) -> Iterator[str]:
    probe = found.probe
    yield from _block(f"MISMATCH {probe.told}", width)
    by = probe.row or "no decision"
    yield from _block(f"         tried since: {probe.purpose}; to be decided by {by}", width)
    for each in found.differences:
        yield from _block(f"         {each}", width)
    if found.capture is not None and folder is not None:
        yield f"         its frames: {folder.rstrip('/')}/{found.capture}"


def _listed(probe: Probe, seen: Seen, width: int) -> Iterator[str]:
    """One probe that was seen as predicted."""
    by = f" by {probe.row}" if probe.row else ""
    if seen.arrivals:
        first = seen.arrivals[0]
        where = f"let{by}: arrived at {first.station} from {first.source}"
        both = ", data both ways" if probe.shape == "talk" else ", answered"
        told = f"{where}{both if seen.answer == 'answered' else ', no answer'}"
    else:
        told = f"refused{by}: {FATES[seen.answer]}"
    yield from _block(f"seen     {probe.told}", width)
    yield from _block(f"         {told}", width)


def _counted(seen: Rehearsal, width: int) -> Iterator[str]:
    missed = len(seen.mismatches)
    tried = f"{counted(seen.done, 'probe')} tried in {seen.seconds:.0f} s"
    yield f"{tried}: {seen.agreed} agreed, {missed} did not."
    fates = [f"{seen.fates[key]} {words}" for key, words in FATES.items() if key in seen.fates]
    kinds = [f"{seen.kinds[key]} {words}" for key, words in KINDS.items() if key in seen.kinds]
    for what, parts in (("as planned", fates), ("sent as   ", kinds)) if fates else ():
        yield from wrap(f"  {what}  {', '.join(parts)}", width, subsequent_indent=" " * 14)
    if seen.repeated:
        yield f"  {seen.repeated} of those that agreed did so at the second try only."


def _around(seen: Rehearsal, width: int) -> Iterator[str]:
    """Whether the ways around are as `netcharter show --around` tells them."""
    tried, right = seen.around
    if tried:
        text = f"{right} of {counted(tried, 'row')} of `netcharter show --around` fared as told"
        yield from _block(f"around   {text}", width)


def heard(seen: Advertised, width: int) -> Iterator[str]:
    """What hosts made of the gateway's router advertisements."""
    yield from _amiss(seen, "UNHEARD  router advertisements", width)
    if seen.ok and not seen.skipped:
        way = "and that the gateway is the way out" if seen.way_out else "and no way out"
        told = f"hosts in {counted(seen.areas, 'area')} learnt by router advertisements just the"
        told += f" {counted(seen.prefixes, 'IPv6 prefix', 'IPv6 prefixes')} of the plan, {way}"
        if seen.of_lines:
            told += f"; once lines had failed, that {seen.of_lines} of them are not to be used"
        yield from _block(f"heard    {told}", width)
    for each in seen.untried:
        yield from _block(f"         not tried in {each}", width)


def _amiss(seen: Advertised | Lent | Named, untried: str, width: int) -> Iterator[str]:
    """That something was not tried, or what was otherwise than planned."""
    if seen.skipped:
        yield from _block(f"{untried} were not tried: {seen.skipped}", width)
    for each in seen.differences[:SHOWN]:
        yield from _block(f"DIFFERS  {each}", width)
    yield from _more(len(seen.differences), "such differences")


def leases(seen: Lent, width: int) -> Iterator[str]:
    """What clients were lent."""
    yield from _amiss(seen, "UNASKED  leases", width)
    if seen.skipped or not seen.ok:
        return
    what = (
        "router, resolver, domain and time server" if seen.time else "router, resolver and domain"
    )
    told = f"{counted(seen.clients, 'client')} in {counted(seen.areas, 'area')} got an address"
    told += f", {seen.lasting} of them their lasting ones" if seen.lasting else ""
    told += f", with {what}, and renewed it" if seen.clients else ""
    if seen.refused:
        told += f"; {seen.refused} that are barred or strangers got none"
    yield from _block(f"lent     {told}", width)


def names(seen: Named, width: int) -> Iterator[str]:
    """What clients were told of names."""
    yield from _amiss(seen, "UNNAMED  names", width)
    if seen.skipped or not seen.ok:
        return
    told = f"hosts in {counted(seen.areas, 'area')} asked the gateway for names, "
    told += f"{counted(seen.questions, 'question')}, and were told what is right"
    if seen.ruled:
        told += f"; {counted(seen.ruled, 'question')} of these tried what names rules say"
    if seen.outside:
        told += f"; {counted(seen.outside, 'name')} were asked for outside, and no answer from "
        told += "there that leads inside was passed on"
    for each in seen.untried:
        told += f"; not tried: {each}"
    yield from _block(f"named    {told}", width)


def services(seen: Discovered, width: int) -> Iterator[str]:
    """What hosts found in other areas; nothing where the charter lets nobody find anything."""
    yield from (f"DIFFERS  {each}" for each in seen.differences[:SHOWN])
    yield from _more(len(seen.differences), "such differences")
    if seen.skipped or not seen.ok:
        return
    told = (
        f"hosts in {counted(seen.areas, 'area')} asked for services and offered some: "
        f"{counted(seen.found, 'question and answer', 'questions and answers')} came through to other "
        f"areas as they are to, and {seen.kept} others did not"
    )
    for each in seen.untried:
        told += f"; not tried: {each}"
    yield from _block(f"found    {told}", width)


def _unprobed(unprobed: Sequence[Unprobed], width: int) -> Iterator[str]:
    """By reason, since many things are not tried for one reason."""
    reasons: dict[str, list[str]] = {}
    for each in unprobed:
        reasons.setdefault(each.why, []).append(each.what)
    if reasons:
        yield f"not tried ({len(unprobed)}; --json lists them all):"
    for why, what in list(reasons.items())[:SHOWN]:
        more = f" and {len(what) - 3} more" if len(what) > 3 else ""
        text = f"{'; '.join(what[:3])}{more}: {why}"
        yield from wrap(text, width, initial_indent="  - ", subsequent_indent="    ")
    yield from _more(len(reasons), "reasons")


def _more(count: int, what: str, shown: int = SHOWN) -> Iterator[str]:
    if count > shown:
        yield f"and {count - shown} more {what}; --json lists them all."


def _block(text: str, width: int) -> Iterator[str]:
    yield from wrap(text, width, subsequent_indent=" " * 11, drop_whitespace=True) or [text]
