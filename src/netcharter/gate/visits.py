"""What a visit is answered. Nothing of it is written down but what somebody sends in the form.

A withheld name leads its asker here. Only what is withheld from that very asker at this moment is
explained; whoever comes by another name, or by an address, is told whose gateway this is and no more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from ipaddress import ip_address
from urllib.parse import parse_qsl

from netcharter.gate import pages
from netcharter.gate.deciding import Stores, Withheld, withheld
from netcharter.gate.limits import Meter, Rate
from netcharter.gate.pages import Form
from netcharter.gate.requests import (
    LONGEST_REACH,
    LONGEST_WHY,
    Box,
    Request,
    Taken,
    clean,
    taken,
)
from netcharter.gate.settings import Address, Settings
from netcharter.gate.times import Told
from netcharter.gate.tokens import is_ours, token
from netcharter.plan.names.domains import Fault, normal

LARGEST_FORM = 8_192  # bytes
LONGEST_HOST = 260  # characters of a Host header that may be a name: 253 and a port
FORM = "application/x-www-form-urlencoded"
METHODS = ("GET", "HEAD", "POST")
# Common practice, no source: a page is looked at by people, and a form is sent by one of them.
VISITS, VISITS_OF_AREA, VISITS_OF_ALL = Rate(40, 2.0), Rate(400, 0.05), Rate(800, 0.025)
SENDS, SENDS_OF_AREA = Rate(5, 120.0), Rate(30, 20.0)

HEADERS: Mapping[str, str] = {
    "cache-control": "no-store",
    "connection": "close",  # a name that is answered again is met at another address
    "content-security-policy": pages.POLICY,
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


@dataclass(frozen=True, slots=True)
class Visit:
    """One request of HTTP. host, kind, origin: its headers Host, Content-Type and Origin, "" where
    there is none; body: None where it was longer than `LARGEST_FORM`."""

    method: str
    host: str
    path: str
    source: Address
    kind: str = ""
    origin: str = ""
    body: bytes | None = b""


@dataclass(frozen=True, slots=True)
class Reply:
    """status: of HTTP (RFC 9110 section 15); keep: to be written down under this number before the
    page is shown, with what is shown where that fails."""

    status: int
    page: str
    headers: Mapping[str, str]
    keep: tuple[int, Request] | None = None
    unkept: str = ""


@dataclass(frozen=True)
class Gate:
    """secret: of this run; meter: of all visits; told: which times of names rules hold at an instant;
    box: what is kept of requests, asked for only when somebody sends one."""

    settings: Settings
    secret: bytes
    meter: Meter
    stores_of: Stores
    told: Callable[[datetime], Told]
    box: Callable[[], Box]


def answered(gate: Gate, visit: Visit, now: datetime, clock: float) -> Reply:
    """now: an instant; clock: seconds that only go on."""
    area = gate.settings.area_of(visit.source)
    if area is None:
        return _reply(gate, 404, pages.gateway(gate.settings.site))
    wait = gate.meter.takes(clock, _rates(visit, area))
    if wait > 0:
        headers = {"retry-after": str(int(wait) + 1)}
        return _reply(gate, 429, pages.too_often(gate.settings.site), headers)
    if visit.method not in METHODS:
        headers = {"allow": ", ".join(METHODS)}
        return _reply(gate, 405, pages.gateway(gate.settings.site), headers)
    name = named(visit.host)
    found = name and _withheld(gate, visit, name, now)
    if not found:
        return _elsewhere(gate, visit, name)
    if visit.method == "POST":
        return _sent(gate, visit, found, now, clock)
    return _explained(gate, found, clock, Form(), 403)


def _withheld(gate: Gate, visit: Visit, name: str, now: datetime) -> Withheld | None:
    return withheld(gate.settings, visit.source, name, now, gate.stores_of, gate.told(now))


def named(host: str) -> str | None:
    """The normal name that a visit is to; None where it is none."""
    if len(host) > LONGEST_HOST:
        return None
    name, colon, port = host.partition(":")
    if colon and not (port.isascii() and port.isdigit()):
        return None
    found = normal(name)
    return None if isinstance(found, Fault) else found


def _rates(visit: Visit, area: str) -> list[tuple[tuple[str, str], Rate]]:
    found = [
        (("visits", str(visit.source)), VISITS),
        (("visits of", area), VISITS_OF_AREA),
        (("visits", "all"), VISITS_OF_ALL),
    ]
    if visit.method == "POST":
        found += [(("sends", str(visit.source)), SENDS), (("sends of", area), SENDS_OF_AREA)]
    return found


def _elsewhere(gate: Gate, visit: Visit, name: str | None) -> Reply:
    """A name that is not withheld is none of ours to answer for (RFC 9110 section 15.5.20)."""
    own = name is None or _is_own(gate.settings, visit.host)
    status = 421 if not own else 200 if visit.path == "/" else 404
    return _reply(gate, status, pages.gateway(gate.settings.site))


def _is_own(settings: Settings, host: str) -> bool:
    return host.partition(":")[0] in {str(one) for one in settings.listens}


def _explained(gate: Gate, found: Withheld, clock: float, form: Form, status: int) -> Reply:
    mark = token(gate.secret, found.area, found.name, clock)
    page = pages.explained(gate.settings, found, form, mark)
    return _reply(gate, status, page)


def _reply(gate: Gate, status: int, page: str, more: Mapping[str, str] | None = None) -> Reply:
    return Reply(status, page, {**HEADERS, **(more or {})})


# --- the form ------------------------------------------------------------------------------------


def _sent(gate: Gate, visit: Visit, found: Withheld, now: datetime, clock: float) -> Reply:
    if visit.body is None:
        return _explained(gate, found, clock, Form(wrong="long"), 413)
    if visit.origin not in ("", "null", f"http://{visit.host}"):
        return _explained(gate, found, clock, Form(wrong="old"), 403)
    fields = form_of(visit)
    if fields is None:
        return _explained(gate, found, clock, Form(wrong="broken"), 400)
    why = clean(fields.get("why", ""), LONGEST_WHY, lines=True)
    reach = clean(fields.get("reach", ""), LONGEST_REACH)
    if why is None or reach is None:
        return _explained(gate, found, clock, Form(why or "", reach or "", "long"), 422)
    if not is_ours(gate.secret, found.area, found.name, clock, fields.get("mark", "")):
        return _explained(gate, found, clock, Form(why, reach, "old"), 403)
    request = Request(found.name, found.area, found.row.label, why, reach, now)
    return _kept(gate, found, request, taken(gate.box(), request))


def _kept(gate: Gate, found: Withheld, request: Request, how: Taken) -> Reply:
    full = pages.no_room(gate.settings, found)
    if how.number is None:
        return _reply(gate, 503, full)
    page = pages.noted(gate.settings, found, request, how)
    keep = (how.number, request) if how.new else None
    return Reply(200, page, HEADERS, keep, full)


def form_of(visit: Visit) -> dict[str, str] | None:
    """The fields of a form that was sent, each once; None where it is none of ours."""
    if visit.kind.partition(";")[0].strip().lower() != FORM or visit.body is None:
        return None
    try:
        pairs = parse_qsl(
            visit.body.decode("ascii"), keep_blank_values=True, strict_parsing=True,
            errors="strict", max_num_fields=8,
        )  # fmt: skip
    except ValueError:
        return None
    fields = dict(pairs)
    return fields if len(fields) == len(pairs) else None


def source_of(text: str) -> Address | None:
    """An address as the kernel tells it: IPv4 within IPv6 is IPv4, and a zone is no part of it."""
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found
