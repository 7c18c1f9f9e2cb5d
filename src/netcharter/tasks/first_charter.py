"""The first charter of a site: from the answers of a conversation to a commented YAML text.

No word of an answer stands in a comment, and every value goes through `charter_text.quote`, so
the text reads back as what was answered, whatever that was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Interface, IPv6Network

from netcharter.charter.model import Address, Interface, Network
from netcharter.charter.values import DELEGATED
from netcharter.plan.coding import hardware_text
from netcharter.proofs.site_audit import BEHIND_CARRIER
from netcharter.tasks.charter_text import Value, comment, item, quote, remark, spelt

# Nobody's: hardware addresses of RFC 9542 section 2.1.4, prefixes of RFC 5737.
NO_ADMIN, NO_SERVER = 0x00_00_5E_00_53_A1, 0x00_00_5E_00_53_A2
OWN_PLACES = {"payments": "198.51.100.64/28", "telephony": "198.51.100.128/28"}
WEB = ("http", "https", "http3")
MAIL = ("imaps", "submissions")
PRINTING = ("ipp", "pdl-datastream")


@dataclass(frozen=True, slots=True)
class Kind:
    """What the trade needs of one kind of area."""

    what: str
    hosts: int  # offered where nothing else is said
    meanings: frozenset[str]  # other words for it
    why: str  # the comment beside such an area


def _kind(what: str, hosts: int, meanings: str, why: str) -> Kind:
    return Kind(what, hosts, frozenset(meanings.split()), why)


KINDS = {
    "office": _kind("the staff and their computers", 10, "staff team desks", "the staff"),
    "guests": _kind(
        "visitors with devices of their own", 50, "guest visitors visitor",
        "visitors; they reach the internet and nothing of ours",
    ),
    "phones": _kind(
        "telephones", 8, "telephones voice voip",
        "no sign-in here, ever: emergency calls start here",
    ),
    "cameras": _kind("cameras", 6, "camera cctv", "they answer, and start nothing"),
    "tills": _kind(
        "tills and payment terminals", 4, "till terminals card-terminals",
        "they talk to the card company and to nobody else",
    ),
    "printers": _kind("printers", 3, "printer", "they answer, and start nothing"),
    "servers": _kind(
        "machines the public may reach", 3, "server dmz", "machines the public may reach"
    ),
    "other": _kind("anything else of our own", 10, "", "like the staff, as long as no rule says more"),
}  # fmt: skip
ADMINISTERING = ("office", "other")  # kinds of areas one looks after the gateway from


@dataclass(frozen=True, slots=True)
class Port:
    """A device of the gateway, with a VLAN id where it is tagged."""

    device: str
    vlan: int | None


@dataclass(frozen=True, slots=True)
class LineAnswer:
    name: str
    port: Port
    addresses: tuple[Interface, ...]  # none: automatic
    next_hops: tuple[Address, ...]
    rate: tuple[str, str] | None  # down, up, as a charter spells them; None: not known yet
    prefix: IPv6Network | None
    delegated: bool = False  # the provider tells the prefix, and may change it


@dataclass(frozen=True, slots=True)
class AreaAnswer:
    name: str
    kind: str  # a key of KINDS
    hosts: int
    port: Port


@dataclass(frozen=True, slots=True)
class ServerAnswer:
    name: str
    area: str
    hardware: int | None  # None: not known yet
    services: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answers:
    """All that was answered, checked. What was put off to later is None or empty."""

    site: str
    timezone: str
    local_prefix: IPv6Network
    lines: tuple[LineAnswer, ...]
    areas: tuple[AreaAnswer, ...]
    admin: str
    admin_hardware: int | None
    admin_area: str
    sign_in: bool
    telephony: tuple[Network, ...]
    payments: tuple[Network, ...]
    server: ServerAnswer | None

    def of(self, *kinds: str) -> list[str]:
        """The names of all areas of these kinds."""
        return [area.name for area in self.areas if area.kind in kinds]

    @property
    def offering(self) -> str | None:
        """The first line on which an offer can be reached: not one behind another translation."""
        return next((line.name for line in self.lines if not _behind_carrier(line)), None)

    def others(self, *names: str) -> list[str]:
        """All areas but these, and first the gateway, unless it is looked after from one of them.

        For what never happens: the management path is the one thing that may.
        """
        gateway = [] if self.admin_area in names else ["gateway"]
        return gateway + [area.name for area in self.areas if area.name not in names]


def _behind_carrier(line: LineAnswer) -> bool:
    return any(
        isinstance(one, IPv4Interface) and any(one.ip in block for block in BEHIND_CARRIER)
        for one in line.addresses
    )


def to_fill_in(answers: Answers) -> tuple[str, ...]:
    """What was put off and must be written into the charter before it can work."""
    kinds = {area.kind for area in answers.areas}
    found = []
    if answers.admin_hardware is None:
        found.append(f"the hardware address of {answers.admin}: nobody can look after the gateway")
    if answers.server is not None and answers.server.hardware is None:
        found.append(f"the hardware address of {answers.server.name}: nobody reaches it")
    if "phones" in kinds and not answers.telephony:
        found.append("the prefixes of the telephone provider: no call works, no emergency call")
    if "tills" in kinds and not answers.payments:
        found.append("the prefixes of the payment company: no card payment works")
    return tuple(found)


def write_charter(answers: Answers) -> str:
    """The charter as text: commented, in the order in which one reads it."""
    parts = (_head, _site, _lines, _areas, _devices, _places, _rules, _offers, _promises)
    lines: list[str] = []
    for part in parts:
        found = list(part(answers))
        while found and not found[-1]:
            found.pop()
        if found:
            lines += [*found, ""]
    return "\n".join(lines)


def _head(answers: Answers) -> Iterator[str]:
    yield from comment(
        "The charter of this site. Read it from top to bottom: what there is (lines, areas,"
        " devices, places), what may happen (rules: the first one that fits decides, and what no"
        " rule lets is refused), what the public may reach (offers), and what must hold whatever"
        " the rules say (promises)."
    )
    yield "#"
    yield from comment(
        "Nobody has to write down how machines get addresses, look up names or find their"
        " neighbours, nor that forged addresses are refused: that is housekeeping, and every"
        " charter has it."
    )
    if to_fill_in(answers):
        yield "#"
        yield from comment("TO FILL IN stands where an answer was put off: search for it.")
    yield ""
    yield "charter: 1"


def _site(answers: Answers) -> Iterator[str]:
    yield "site:"
    yield f"  name: {quote(answers.site)}"
    yield f"  timezone: {quote(answers.timezone)}"
    yield from comment(
        "The way in: this device always reaches the gateway with ssh. Name a second one, so that"
        " a broken machine does not lock you out, and keep a screen and a keyboard at hand"
        " whenever settings are put in place.",
        2,
    )
    yield f"  managed-from: [{quote(answers.admin, inside=True)}]"
    yield from comment("Drawn by lot once (RFC 4193), and kept for good.", 2)
    yield f"  local-prefix: {quote(str(answers.local_prefix))}"


def _lines(answers: Answers) -> Iterator[str]:
    if len(answers.lines) > 1:
        yield from comment(
            "The internet connections. The first carries the traffic; the others stand by until"
            " it fails. `role: balanced` would let them share."
        )
    else:
        yield from comment("The internet connection. A second one is added below the first.")
    yield "lines:"
    for number, line in enumerate(answers.lines):
        yield f"  {quote(line.name)}:"
        yield from _port(line.port)
        if line.rate is None:
            yield "    # rate: {down: 40 Mbit/s, up: 8 Mbit/s}   as the contract says"
        else:
            down, up = (quote(rate, inside=True) for rate in line.rate)
            yield f"    rate: {{down: {down}, up: {up}}}"
        if line.addresses:
            yield f"    address: {spelt([str(one) for one in line.addresses])}"
            yield f"    next-hop: {spelt([str(one) for one in line.next_hops])}"
        else:
            yield "    address: automatic"
        if line.prefix is not None:
            yield f"    prefix: {quote(str(line.prefix))}"
        elif line.delegated:
            yield f"    prefix: {DELEGATED}"
        if len(answers.lines) > 1:
            yield f"    role: {'standby' if number else 'main'}"


def _port(port: Port) -> Iterator[str]:
    yield f"    device: {quote(port.device)}"
    if port.vlan is not None:
        yield f"    vlan: {port.vlan}"


def _areas(answers: Answers) -> Iterator[str]:
    yield from comment(
        "The local segments. Hosts of one area reach each other directly; from one area to another"
        " only what a rule lets. `growth` keeps room beside each area, so that nobody is ever"
        " renumbered."
    )
    kinds = {area.kind for area in answers.areas}
    if kinds & {"guests", "cameras"}:
        yield from comment(
            "Whoever watches what people do on a network, or films them, needs a lawful basis and"
            " tells them. Local law prevails."
        )
    yield "areas:"
    for area in answers.areas:
        yield remark(f"  {quote(area.name)}:", KINDS[area.kind].why)
        yield from _port(area.port)
        yield f"    hosts: {area.hosts}"
        yield "    growth: 50 %"
        yield from _marks(answers, area)


def _marks(answers: Answers, area: AreaAnswer) -> Iterator[str]:
    if area.kind == "guests":
        if answers.sign_in:
            yield from comment(
                "A telephone that calls over this network may need to call for help: keep one at"
                " hand that works without signing in.",
                4,
            )
            yield "    sign-in: required"
        yield remark("    apart: true", "switch on client isolation in the access points, too")
    if area.kind in ("tills", "cameras"):
        yield from comment(
            "When all of them stand below `devices` with their hardware addresses, add"
            " `strangers: refused`: then nothing else that is plugged in here gets anywhere.",
            4,
        )


def _devices(answers: Answers) -> Iterator[str]:
    yield from comment(
        "Equipment with a name. `lasting` gives it an address that stays. A device that is lost"
        " gets `barred: true`."
    )
    yield "devices:"
    late = "TO FILL IN: nobody has this hardware address; until it is right, nobody gets in."
    yield from _device(answers.admin, answers.admin_area, answers.admin_hardware, NO_ADMIN, late)
    server = answers.server
    if server is not None:
        late = "TO FILL IN: nobody has this hardware address; until it is right, nobody reaches it."
        yield from _device(server.name, server.area, server.hardware, NO_SERVER, late)


def _device(
    name: str, area: str, hardware: int | None, placeholder: int, late: str
) -> Iterator[str]:
    yield f"  {quote(name)}:"
    yield f"    area: {quote(area)}"
    if hardware is None:
        yield from comment(late, 4)
    yield f"    hardware: {quote(hardware_text(placeholder if hardware is None else hardware))}"
    yield "    address: lasting"


def _places(answers: Answers) -> Iterator[str]:
    phones, tills = answers.of("phones"), answers.of("tills")
    if phones:
        yield "services:"
        yield from comment(
            "The speech of the telephones. Narrow it to the ports your provider names.", 2
        )
        yield "  speech: [udp/1024-65535]"
        yield ""
    if not phones and not tills:
        return
    yield from comment("Destinations on the internet that have a name here.")
    yield "places:"
    if phones:
        late = (
            "TO FILL IN: these are nobody's addresses. Until they are right, NO TELEPHONE CAN CALL."
        )
        yield from _place("telephony", answers.telephony, late)
    if tills:
        late = "TO FILL IN: these are nobody's addresses. Until they are right, no card can pay."
        yield from _place("payments", answers.payments, late)


def _place(name: str, prefixes: tuple[Network, ...], late: str) -> Iterator[str]:
    yield f"  {name}:"
    if not prefixes:
        yield from comment(late, 4)
    yield f"    prefixes: {spelt([str(one) for one in prefixes] or [OWN_PLACES[name]])}"


def _rules(answers: Answers) -> Iterator[str]:
    found = [*_emergency(answers), *_outward(answers), *_inward(answers)]
    if not found:
        yield from comment(
            "There are no rules yet, so nothing is let but housekeeping and the way in. The first:"
        )
        yield "# rules:"
        yield "#   - {let: NAME, reach: internet, with: [http, https], because: WHY}"
        return
    yield from comment(
        "The first rule that fits decides; what none lets is refused. Give each a `because`, and"
        " one that is for a time only an `until` and a `contact`."
    )
    yield "rules:"
    yield from found


def _emergency(answers: Answers) -> Iterator[str]:
    phones = answers.of("phones")
    if not phones:
        return
    yield from item(
        (
            ("let", phones),
            ("reach", "telephony"),
            ("with", ("sip", "sips", "speech")),
            ("emergency", True),
            ("because", "every call, and emergency calls above all"),
        ),
        "Before everything else, at any hour, over any line: a telephone can call for help. Try an"
        " emergency call, as your provider lets you, after every change.",
    )
    yield from item(
        (
            ("let", phones),
            ("reach", "telephony"),
            ("with", "https"),
            ("because", "the telephones get their settings from the provider"),
        )
    )


def _outward(answers: Answers) -> Iterator[str]:
    staff, guests, servers = answers.of(*ADMINISTERING), answers.of("guests"), answers.of("servers")
    tills = answers.of("tills")
    if tills:
        yield from item(
            _sentence(tills, "payments", ("https",), "card payments"),
            "Payment equipment follows rules of its own as well; keep this list for the assessor.",
        )
    if staff:
        yield from item(
            _sentence(
                staff, "internet", (*WEB, *MAIL, "ntp"), "daily work: the web, e-mail, clocks"
            ),
            "`with: anything` would be shorter, and would also let whatever a bad program brings.",
        )
    if guests:
        yield from item(
            _sentence(guests, "internet", (*WEB, *MAIL, "ntp"), "the web and e-mail for visitors"),
            "Where guests are minors: whatever is refused here supports supervision and does not"
            " replace it. Hours (`during`) can be added.",
        )
    if servers:
        yield from item(
            _sentence(servers, "internet", ("http", "https", "ntp"), "mends and new versions"),
            "As little as possible: name the places it needs, if you know them.",
        )


def _sentence(
    who: Sequence[str], reach: Value, services: Sequence[str], because: str
) -> list[tuple[str, Value]]:
    return [("let", who), ("reach", reach), ("with", services), ("because", because)]


def _inward(answers: Answers) -> Iterator[str]:
    staff, printers = answers.of(*ADMINISTERING), answers.of("printers")
    if staff and printers:
        yield from item(_sentence(staff, printers, PRINTING, "printing"))
    server = answers.server
    if staff and server is not None:
        yield from item(
            _sentence(staff, server.name, server.services, "the server, by its inside address")
        )
    if answers.admin_area not in staff:
        return
    admin, equipment = [answers.admin], answers.of("phones", "printers", "cameras", "servers")
    if equipment:
        yield from item(_sentence(admin, equipment, ("http", "https"), "their settings pages"))
    if cameras := answers.of("cameras"):
        yield from item(
            _sentence(admin, cameras, ("rtsp",), "the pictures, for whoever may see them"),
            "A recorder gets a name below `devices`, and stands here in the place of this device."
            " Whoever films people needs a lawful basis and tells them.",
        )
    if servers := answers.of("servers"):
        yield from item(_sentence(admin, servers, ("ssh",), "to look after them"))


def _offers(answers: Answers) -> Iterator[str]:
    server = answers.server
    if server is None:
        return
    yield from comment(
        "What the public may reach. From inside it works by the same name. Everything here is found"
        " and tried by strangers within hours: keep the machine up to date."
    )
    if answers.offering is None:
        yield from comment(
            "Every line of this site has an address that its provider translates once more, so"
            " nothing can be offered over IPv4. Ask for a public address; then take the # away."
        )
    found = item(
        (
            ("offer", server.services),
            ("on", answers.offering or answers.lines[0].name),
            ("to", server.name),
            ("because", "this is what the public comes for"),
        )
    )
    yield from _reached(answers, ["offers:", *found])


def _reached(answers: Answers, lines: Iterable[str]) -> Iterator[str]:
    """The lines, commented out where no offer can be reached."""
    yield from (lines if answers.offering else (f"# {line}" for line in lines if line))


def _promises(answers: Answers) -> Iterator[str]:
    yield from comment(
        "What must hold whatever the rules say: for every connection, at every hour, over every"
        " line. `netcharter check` proves each of these, or shows the connection that breaks it."
    )
    yield "promises:"
    yield from item(
        (
            ("always", answers.admin),
            ("reach", "gateway"),
            ("with", "ssh"),
            ("because", "or nobody can mend anything"),
        )
    )
    yield from _promises_of_calls(answers)
    yield from _promises_of_areas(answers)
    yield from _never(
        ["internet"],
        ["gateway", *(area.name for area in answers.areas)],
        "nobody comes in uninvited",
    )


def _never(who: Sequence[str], reach: Sequence[str], because: str) -> Iterator[str]:
    """A promise about all but offers; none where there is nothing to keep apart."""
    if reach:
        pairs: list[tuple[str, Value]] = [("never", who), ("reach", reach), ("except", "offers")]
        yield from item([*pairs, ("because", because)])


def _promises_of_calls(answers: Answers) -> Iterator[str]:
    phones, tills = answers.of("phones"), answers.of("tills")
    if phones:
        yield from item(
            (
                ("always", phones),
                ("reach", "telephony"),
                ("with", ("sip", "sips", "speech")),
                ("because", "someone may need help"),
            )
        )
    if tills:
        reach = ["payments", "gateway"] if answers.admin_area in tills else ["payments"]
        yield from item(
            (
                ("only", tills),
                ("reach", reach),
                ("except", "offers"),
                ("because", "card terminals talk to the card company and to nobody else"),
            )
        )


def _promises_of_areas(answers: Answers) -> Iterator[str]:
    for name in answers.of("guests"):
        yield from _never([name], answers.others(name), "guests stay among themselves")
    for name in answers.of("cameras"):
        yield from item(
            [("never", name), ("reach", "internet"), ("because", "pictures do not leave the site")]
        )
        yield from _never([name], answers.others(name), "a camera answers, and starts nothing")
    for name in answers.of("printers"):
        yield from item(
            [("never", name), ("reach", "internet"), ("because", "what is printed stays here")]
        )
        yield from _never([name], answers.others(name), "a printer answers, and starts nothing")
    for name in answers.of("servers"):
        yield from _never([name], answers.others(name), "who breaks into a server gets no further")
