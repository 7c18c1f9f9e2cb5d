"""Was a probe seen as predicted? Each difference as a sentence with both sides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from netcharter.plan.labels import INVALID, STRAY, row_name
from netcharter.probes.shapes import GATEWAY, Answered, Arrival, Expected, Probe, Seen
from netcharter.proofs.naming import listed

WORDS: Mapping[str, str] = {
    INVALID: f"what fits no conversation ({INVALID})",
    STRAY: f"no decision at all ({STRAY})",
}
REFUSED: Mapping[Answered, str] = {
    "reset": "refused (reset)",
    "prohibited": "refused (prohibited)",
    "unreachable": "refused (unreachable)",
    "silent": "lost in silence",
    "answered": "answered",
}


def differences(probe: Probe, seen: Seen) -> tuple[str, ...]:
    """What was seen otherwise than predicted; nothing where all of it agrees."""
    return (*_outcome(probe, seen), *_counted(probe, seen), *_arrived(probe, seen))


# --- let or refused, and what came back -----------------------------------------------------------


def _outcome(probe: Probe, seen: Seen) -> Iterator[str]:
    expected = probe.expected
    arrived = [arrival.station for arrival in seen.arrivals]
    agrees = bool(expected.arrives) == bool(arrived) and expected.answer == seen.answer
    if not agrees:
        yield f"predicted: {_predicted(probe)}; seen: {_seen(arrived, seen.answer)}"


def _predicted(probe: Probe) -> str:
    """Refused or let, and by which decision."""
    expected = probe.expected
    by = f" by {probe.row}" if probe.row else ""
    if not expected.arrives:
        told = "refused in silence" if expected.answer == "silent" else REFUSED[expected.answer]
        return f"{told}{by}"
    where = listed([_station(name) for name in sorted(expected.arrives)], "or")
    return f"let{by}, arriving at {where}, {_answer(expected.answer)}"


def _seen(arrived: list[str], answer: Answered) -> str:
    if not arrived:
        return REFUSED[answer]
    where = listed([_station(name) for name in dict.fromkeys(arrived)])
    return f"arrived at {where}, {_answer(answer)}"


def _answer(answer: Answered) -> str:
    return {"answered": "answered", "silent": "without an answer"}.get(answer, REFUSED[answer])


def _station(name: str) -> str:
    return "the gateway" if name == GATEWAY else name


# --- which decision -------------------------------------------------------------------------------


def _counted(probe: Probe, seen: Seen) -> Iterator[str]:
    wanted = dict.fromkeys(probe.expected.counters, 1)
    counted = {name: count for name, count in seen.counters.items() if count}
    if counted == wanted:
        return
    missing = [name for name in wanted if name not in counted]
    more = [name for name in counted if name not in wanted]
    if missing or more:
        yield f"predicted: {_decided(wanted, probe)}; seen: {_decided(counted, probe)}"
    for name, count in counted.items():
        if name in wanted and count != 1:
            yield f"predicted: counted once by {_counter(name, probe)}; seen: {count} times"


def _decided(counted: Mapping[str, int], probe: Probe) -> str:
    if not counted:
        return "counted by no decision"
    return f"decided by {listed(_counter(name, probe) for name in counted)}"


def _counter(name: str, probe: Probe) -> str:
    """A counter by the decision it counts, where the probe knows that."""
    if probe.row and name == row_name(probe.row):
        return f"{probe.row} ({name})"
    return WORDS.get(name, name)


# --- how it looked --------------------------------------------------------------------------------


def _arrived(probe: Probe, seen: Seen) -> Iterator[str]:
    expected = probe.expected
    if not expected.arrives or not seen.arrivals:
        return  # said already
    elsewhere = {a.station for a in seen.arrivals} - expected.arrives
    places = {a.station for a in seen.arrivals} & expected.arrives
    if elsewhere:
        where = listed([_station(name) for name in sorted(expected.arrives)], "or")
        told = listed([_station(name) for name in sorted(elsewhere)])
        yield f"predicted: arriving at {where}; seen: arrived at {told}"
    if len(places) > 1:
        told = listed([_station(name) for name in sorted(places)])
        yield f"predicted: arriving at one machine; seen: arrived at {told}"
    for arrival in seen.arrivals:
        if arrival.station in expected.arrives:
            yield from _looked(expected, arrival)


def _looked(expected: Expected, arrival: Arrival) -> Iterator[str]:
    """Addresses and port behind the translation."""
    where = _station(arrival.station)
    source = expected.sources.get(arrival.station)
    for what, wanted, found in (
        ("from", source, arrival.source),
        ("for", expected.destination, arrival.destination),
        ("with the number", expected.number, arrival.number),
    ):
        if wanted is not None and wanted != found:
            yield f"predicted: at {where} {what} {wanted}; seen: {what} {found}"
