"""What no proof here reaches, and what to mind before a charter meets people: each said once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from textwrap import wrap

from netcharter.plan.coding import TCP, UDP
from netcharter.plan.shapes import Plan
from netcharter.plan.terms import Ground, service_parts
from netcharter.proofs.promises import ground_of

LIMITS = (
    (
        "Proven is what the plan decides, for direct connections between addresses. Whether a kernel"
        " has loaded that plan, and whether the cables on site are as the charter says, needs a look"
        " at the kernel and at the site."
    ),
    (
        "Not judged: ARP and other frames that are not IP, and what switches and access points do"
        " between machines of one area."
    ),
    (
        "Not judged: what happens inside an encrypted tunnel, the contents of a connection, source"
        " ports, and the path beyond the line."
    ),
    (
        "A hardware address can be chosen at will. A device that is known or barred by it is"
        " recognised only while it keeps it."
    ),
    (
        "A promise that says never or only speaks of who starts. Replies flow, and what the gateway"
        " does for others (its resolver, its sign-in page, what it tells of services in other"
        " areas) is named beside the promise."
    ),
)
REHEARSED = (
    (
        "A rehearsal tries some packets of each kind, in a lab on this machine's kernel. That every"
        " conversation begins as the charter says is what `netcharter check` proves of the plan, and"
        " what is proven here of the packet filter that the kernel has loaded."
    ),
    (
        "Not rehearsed: cables, switches, access points and providers, how much a line carries, and"
        " what gate and steward do; the lab puts into their sets what they would."
    ),
    (
        "Not compared one by one: routes and kernel settings; they are tried where a probe needs"
        " them. Not tried: long conversations, a line lost in the middle of one, and ICMP errors"
        " about living ones, such as a packet that is too big."
    ),
)
AROUND = (
    (
        "Open, closed and undecidable speak of what the plan lets begin from an area's addresses to"
        " the internet. Closed is no word for safe: it says that this one means is never let."
    ),
    (
        "Undecidable: what is let can't be told from this means, by this tool or by a packet filter."
        " The list names usual means and ports; others are invented all the time."
    ),
    (
        "Not seen from here: a telephone's own mobile line, a neighbour's wireless network, and what"
        " somebody carries in on a stick. A name that asks programs to leave their own resolver"
        " alone is a request, and binds nobody."
    ),
)
WHERE = "True of the plan, within the limits that `netcharter check` prints."
CAUTIONS: Mapping[str, str] = {
    "monitoring": "Monitoring people needs a lawful basis, and a notice to those concerned.",
    "emergency": (
        "Let no sign-in, no hours and no list stand between a telephone and emergency calls. After"
        " a change try an ordinary call; test emergency calls only as your operator allows."
    ),
    "equipment": "Medical, payment and safety equipment follow rules of their own.",
    "filters": "Filters for minors support supervision. They do not replace it.",
    "console": "Keep access to the console at hand when a charter is put in place.",
    "law": "Local law and licensed practice prevail over anything said here.",
}
CALLS = range(5060, 5062)  # sip and sips, RFC 3261 section 18


def cautions(plan: Plan) -> tuple[str, ...]:
    """The cautions that this very charter calls for."""
    ground = ground_of(plan)
    found = []
    if any(area.sign_in for area in plan.areas):
        found.append(CAUTIONS["monitoring"])
    rules = plan.charter.rules
    if any(r.emergency or any(_calls(ground, name) for name in r.services) for r in rules):
        found.append(CAUTIONS["emergency"])
    if any(rule.action == "withhold" for rule in plan.charter.names):
        found.append(CAUTIONS["filters"])
    return tuple(found)


def _calls(ground: Ground, service: str) -> bool:
    """Does a service, named for once, set up calls? `anything` speaks of nothing in particular."""
    if service == "anything":
        return False
    parts = service_parts(ground, service)
    return any(
        protocol in (TCP, UDP) and low <= CALLS[-1] and high >= CALLS[0]
        for protocol, low, high in parts
        if high - low < 100  # a call's own ports, not a stretch that happens to hold them
    )


def told(title: str, texts: tuple[str, ...], width: int) -> Iterator[str]:
    """Texts as a list below a title, no line longer than `width`."""
    if texts:
        yield f"{title}:"
    for text in texts:
        yield from wrap(text, width, initial_indent="  - ", subsequent_indent="    ")
