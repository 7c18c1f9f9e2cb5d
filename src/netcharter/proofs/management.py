"""The management path: does the plan leave open the way by which somebody administers just now?

Asked before a plan is enacted, of the very place one administers from: an SSH session, or the
console. A new connection like the session's own must be let in every environment, and what the
session leans on must stay: the gateway's address that it uses, and the client's own place. What
cannot be proven of the plan alone is said (`Path.steps`, `Path.assumed`), never taken for proven.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address

from netcharter.diagnostics import Diagnostic, Span
from netcharter.diagnostics.jsonshape import span_as_json
from netcharter.plan import coding
from netcharter.plan.housekeeping import LINK_LOCAL6, LOOPBACK
from netcharter.plan.shapes import Address, AreaPlan, LinePlan, Plan, Region, Row
from netcharter.proofs.certify import Prover
from netcharter.proofs.naming import Naming, listed
from netcharter.proofs.promises import CHOSEN, PromiseResult, prove_path
from netcharter.proofs.story import Connection, Teller, polish, row_name
from netcharter.space.ranges import Ranges, has, ranges, subtract, union

Known = Mapping[str, Sequence[Address]]  # the addresses that automatic lines have, by line
NOTHING_KNOWN: Known = {}
GATEWAY, LOOP = "gateway", "lo"
BARRED = "barred"  # the decision, and the key of a device
LISTED = 6  # devices that a sentence names


@dataclass(frozen=True, slots=True)
class Session:
    """An SSH session as the gateway sees it. device: the network device it comes in by, as the
    kernel calls it; hardware: the client's hardware address, as the neighbour table has it; either
    is None where it is not known.
    """

    client: Address
    client_port: int
    server: Address
    server_port: int
    device: str | None = None
    hardware: int | None = None


@dataclass(frozen=True, slots=True)
class Between:
    """A state of the gateway on the way from old to new. proven: of the plan; otherwise `words`
    says what it rests on."""

    state: str
    proven: bool
    words: str


@dataclass(frozen=True, slots=True)
class Path:
    """Is the way in proven open? If not, `findings` say why, and `connection` is one that shows it
    (None where none can: the entrance or the address is gone).

    entrances: where the session comes in under the plan. assumed: what nobody could look up.
    """

    holds: bool
    sentence: str
    findings: tuple[Diagnostic, ...]
    connection: Connection | None
    entrances: tuple[str, ...]
    assumed: tuple[str, ...]
    steps: tuple[Between, ...]

    @property
    def place(self) -> Span | None:
        """Where in the charter stands what is in the way; None where nothing is."""
        return self.findings[0].span if self.findings else None

    def as_json(self) -> dict[str, object]:
        """The documented shape."""
        return {
            "holds": self.holds,
            "sentence": self.sentence,
            "span": span_as_json(self.place) if self.place else None,
            "witness": self.connection.sentence if self.connection else None,
            "connection": self.connection.as_json() if self.connection else None,
            "entrances": list(self.entrances),
            "assumed": list(self.assumed),
            "steps": [
                {"state": one.state, "proven": one.proven, "words": one.words} for one in self.steps
            ],
        }


def session_of(text: str, device: str | None = None, hardware: int | None = None) -> Session | None:
    """A session from the environment variable SSH_CONNECTION (ssh(1)): client address and port,
    server address and port. None where the text is not that. A zone ("fe80::1%eth2") names the
    device where none is given.
    """
    parts = text.split()
    if len(parts) != 4 or not all(_is_port(port) for port in parts[1::2]):
        return None
    found = [_address(part) for part in parts[0::2]]
    if found[0] is None or found[1] is None or found[0].version != found[1].version:
        return None
    zones = [one.scope_id for one in found if isinstance(one, IPv6Address) and one.scope_id]
    client, server = (_bare(one) for one in found if one is not None)
    named = device or (zones[0] if zones else None)
    return Session(client, int(parts[1]), server, int(parts[3]), named, hardware)


def _is_port(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 6 and 0 < int(text) < 65536


def _address(text: str) -> Address | None:
    try:
        return ip_address(text)
    except ValueError:
        return None


def _bare(address: Address) -> Address:
    """Without its zone; an IPv4 address that is written as IPv6 (RFC 4291 section 2.5.5.2) as such."""
    if not isinstance(address, IPv6Address):
        return address
    return address.ipv4_mapped or IPv6Address(int(address))


# --- the console ---------------------------------------------------------------------------------


def prove_console(prover: Prover) -> Path:
    """Whoever sits at the console needs no network. Proven is that each device of `managed-from`
    gets in afterwards, in every environment. Raises NoAnswer, ProofFault.
    """
    names = prover.plan.charter.site.managed_from
    broken = [one for one in (prove_path(prover, name) for name in names) if not one.holds]
    shown = [_shown(prover, one) for one in broken]
    findings = [
        _refused(prover, witness.sentence if witness else f"{one.text}: {one.reason}", witness)
        for one, witness in zip(broken, shown, strict=True)
    ]
    if not names:
        sentence = "No device may manage the gateway: the console stays the only way in."
    elif broken:
        sentence = with_place(findings[0])
    else:
        sentence = f"{listed(names)} may always reach the gateway with ssh: proven."
    assumed = ("you are at the console, and it stays at hand",)
    first = next(filter(None, shown), None)
    return Path(not broken, sentence, tuple(findings), first, (), assumed, ())


def _shown(prover: Prover, broken: PromiseResult) -> Connection | None:
    """The connection that breaks a promise, where one does."""
    if broken.point is None or broken.row is None:
        return None
    return Teller(prover.universe).connection(broken.point, broken.row)


# --- a session -----------------------------------------------------------------------------------


def prove_session(
    prover: Prover, session: Session, lines: Known = NOTHING_KNOWN, tracked: bool = False
) -> Path:
    """Whether a new connection like this session's is let under the plan whatever the state of the
    site, to an address that the gateway keeps. lines: the addresses that automatic lines have now;
    tracked: the kernel's connection tracking knows this session (`Conversation.is_of`).

    Raises NoAnswer, ProofFault.
    """
    seat = _Seat(prover, session, lines)
    found = list(seat.findings())
    connection = next((shown for _, shown in found if shown is not None), None)
    told = tuple(finding for finding, _ in found)
    sentence = with_place(told[0]) if told else seat.proven()
    return Path(
        not told,
        sentence,
        told,
        connection,
        seat.entrances,
        tuple(seat.assumed()),
        tuple(seat.between(not told, tracked)),
    )


@dataclass(frozen=True)
class _Seat:
    """A session seen with the eyes of a plan."""

    prover: Prover
    session: Session
    lines: Known

    @property
    def plan(self) -> Plan:
        return self.prover.plan

    @property
    def client(self) -> int:
        return coding.address(self.session.client)

    @property
    def server(self) -> int:
        """The code of the server's address: the symbol of an automatic line that has it now."""
        session = self.session
        for line in self.plan.lines:
            if line.automatic and session.server in self.lines.get(line.name, ()):
                return coding.unknown(line.number, session.server.version)
        return coding.address(session.server)

    @property
    def entrances(self) -> tuple[str, ...]:
        """Where the session comes in: by its device, or by where its addresses lie."""
        plan, device = self.plan, self.session.device
        own = subtract(union(plan.gateway, LOOPBACK), LINK_LOCAL6)
        if device == LOOP or has(own, self.client):
            return (GATEWAY,)
        if device is not None:
            return tuple(one.name for one in self._segments if one.device == device)
        inside = [area.name for area in plan.areas if has(area.whole, self.client)]
        mine = [line.name for line in plan.lines if has(line.own, self.server)]
        return tuple(inside or mine or (line.name for line in plan.lines))

    @property
    def _segments(self) -> tuple[AreaPlan | LinePlan, ...]:
        return (*self.plan.areas, *self.plan.lines)

    def hardware(self, entrance: str) -> Ranges:
        """The hardware addresses that the client may have, as far as it is known."""
        if all(area.name != entrance for area in self.plan.areas):
            return coding.NO_HARDWARE
        own = self.session.hardware
        return coding.LOCAL_HARDWARE if own is None else ranges((own, own))

    # ---- what is wrong ----

    def findings(self) -> Iterator[tuple[Diagnostic, Connection | None]]:
        """What stands in the way, each with a connection that shows it where one can."""
        if not self.entrances:
            yield self._nowhere(), None
            return
        gone = self._address_goes()
        if gone is not None:
            yield gone, None
        for entrance in self.entrances:
            if self._elsewhere(entrance):
                refused = self._refusal(entrance, self.hardware(entrance))
                yield self._renumbered(entrance, refused), refused
            elif gone is None:
                yield from self._closed(entrance)

    def _closed(self, entrance: str) -> Iterator[tuple[Diagnostic, Connection | None]]:
        """That a connection is refused in some environment, or that none is ever let."""
        refused = self._refusal(entrance, self.hardware(entrance))
        if refused is None:
            if not self._ever(entrance, self.hardware(entrance)):
                told = f"no connection from {self._told()} can exist under the plan"
                yield _refused(self.prover, told, None), None
            return
        known = self.session.hardware is not None or self.hardware(entrance) == coding.NO_HARDWARE
        names = [] if known else self._let_for(entrance)
        if names:
            yield self._unsure(names, refused), refused
        else:
            nearly = self._nearly(entrance, refused)
            yield _refused(self.prover, refused.sentence, refused, nearly), refused

    def _refusal(self, entrance: str, hardware: Ranges) -> Connection | None:
        """One connection that is refused; None: proven that none is."""
        prover, plan = self.prover, self.plan
        boxes = prover.universe.boxes_of([self._region(entrance, hardware)])
        refusing = frozenset(row.index for row in plan.rows if not row.let)
        witness = prover.decided(boxes, refusing)
        if witness is None:
            return None
        assert witness.rule is not None
        point = polish(prover.universe, prover.checker, witness.point, boxes)
        return Teller(prover.universe).connection(point, plan.rows[witness.rule])

    def _ever(self, entrance: str, hardware: Ranges) -> bool:
        """Is one ever let? Without, that none is refused would say nothing."""
        return self._letting(entrance, hardware) is not None

    def _letting(self, entrance: str, hardware: Ranges) -> Row | None:
        """What lets one, in some environment."""
        boxes = self.prover.universe.boxes_of([self._region(entrance, hardware)])
        letting = frozenset(row.index for row in self.plan.rows if row.let and not row.delivery)
        found = self.prover.decided(boxes, letting)
        return None if found is None or found.rule is None else self.plan.rows[found.rule]

    def _nearly(self, entrance: str, refused: Connection) -> tuple[Row, str] | None:
        """The rule that lets it at other times or by another line, and which of the two, where
        nothing that the charter says refuses it."""
        if refused.row.kind in CHOSEN:
            return None
        others = [line.name for line in self.plan.lines if line.name != entrance]
        if all(line.name != entrance for line in self.plan.lines):
            others = []
        for where in (entrance, *others):
            found = self._letting(where, self.hardware(where))
            if found is not None and found.kind in CHOSEN:
                return found, "not always" if where == entrance else f"not by {entrance}"
        return None

    def _region(self, entrance: str, hardware: Ranges) -> Region:
        service = coding.service(coding.TCP, self.session.server_port)
        here = frozenset({entrance})
        return Region(here, _one(self.client), _one(self.server), ranges(service), hardware)

    def _let_for(self, entrance: str) -> list[str]:
        """The devices whose hardware addresses would be let in every environment."""
        return [
            device.name
            for device in self.plan.devices
            for number in device.hardware
            if self._refusal(entrance, _one(number)) is None and self._ever(entrance, _one(number))
        ]

    def _elsewhere(self, entrance: str) -> bool:
        """Does the client have no proper address of this entrance any more?"""
        if has(LINK_LOCAL6, self.client) or entrance == GATEWAY:
            return False
        for area in self.plan.areas:
            if area.name == entrance:
                return not has(area.hosts, self.client)
        return not has(self.plan.internet, self.client)

    def _stays(self) -> bool:
        """Is the server's address one of the gateway's in the plan?"""
        return has(union(self.plan.gateway, LOOPBACK), self.server)

    # ---- in words ----

    def _told(self) -> str:
        session = self.session
        device = f" by {session.device}" if session.device else ""
        return f"{session.client}{device} to {session.server} port {session.server_port}"

    def _nowhere(self) -> Diagnostic:
        known = listed(dict.fromkeys(one.device for one in self._segments))
        mine = [area.name for area in self.plan.areas if has(area.whole, self.client)]
        return Diagnostic(
            "management-entrance-gone",
            "error",
            f"you come in by {self.session.device}, which the charter gives to no area and no "
            f"line: what comes in there is refused in silence",
            self.plan.charter.where("areas", *mine[:1]),
            help=f"the charter knows {known}; correct the `device` of the area you are in",
        )

    def _address_goes(self) -> Diagnostic | None:
        if self._stays():
            return None
        names = [e for e in self.entrances if e != GATEWAY]
        section = "lines" if any(one.name in names for one in self.plan.lines) else "areas"
        instead = listed([*self._own_addresses(names)][:LISTED])
        return Diagnostic(
            "management-address-goes",
            "error",
            f"{self.session.server}, the address you use, is none of the gateway's any more: this "
            "session ends with it",
            self.plan.charter.where(section, *names[:1]),
            help=f"connect to an address that stays and begin again there: {instead}"
            if instead
            else "keep the address, or enact this at the console",
        )

    def _own_addresses(self, names: Sequence[str]) -> Iterator[str]:
        for area in self.plan.areas:
            if area.name in names:
                yield str(area.gateway4)
                yield from (str(subnet.gateway) for subnet in area.subnets6)
        for line in self.plan.lines:
            if line.name in names:
                yield from (str(one.ip) for one in line.held)

    def _renumbered(self, entrance: str, refused: Connection | None) -> Diagnostic:
        home = Naming(self.plan).address_name(self.client)
        belongs = f", and that address belongs to {home}" if home else ""
        area = next((a for a in self.plan.areas if a.name == entrance), None)
        has_ = f"has {area.v4}" if area else "is a line"
        return Diagnostic(
            "management-client-elsewhere",
            "error",
            f"you come in at {entrance} from {self.session.client}, which is no address of a host "
            f"there: {entrance} {has_}{belongs}",
            self.plan.charter.where("areas" if area else "lines", entrance),
            witness=refused.sentence if refused else None,
            help="keep the prefix of the area and its device, or enact this at the console",
        )

    def _unsure(self, names: Sequence[str], refused: Connection) -> Diagnostic:
        return Diagnostic(
            "management-hardware-unknown",
            "error",
            f"only {listed(dict.fromkeys(names[:LISTED]))} may come in from {self.session.client}, "
            "known by the hardware address, and yours could not be looked up",
            self.plan.charter.where("site", "managed-from"),
            witness=refused.sentence,
            help="come from a machine in an area of the gateway, or enact this at the console",
        )

    def proven(self) -> str:
        """What is proven, for people."""
        return (
            f"A new connection from {self._told()} is let in every state of the site: proven, for "
            "every set of lines that are up, every hour, and whoever is signed in."
        )

    def assumed(self) -> Iterator[str]:
        """What is taken for granted because nobody could look it up."""
        session = self.session
        if session.device is None and self.entrances not in ((), (GATEWAY,)):
            yield (
                f"that you come in at {listed(self.entrances, 'or')}: by which network device is "
                "not known"
            )
        if has(LINK_LOCAL6, coding.address(session.server)):
            yield f"that {session.server} stays the link-local address of the device"
        if self.server >= coding.SYMBOLS:
            yield f"that the provider leaves {session.server} to the line"
        if any(line.name in self.entrances for line in self.plan.lines):
            yield "that the line itself stays up, and its next hop leads back to you"

    def between(self, holds: bool, tracked: bool) -> Iterator[Between]:
        """The states between the old one and the new one, and what each rests on."""
        server, stays = self.session.server, self._stays()
        kept = (
            f"{server} is an address of the gateway before and after; what goes, goes last"
            if stays
            else f"{server} goes with the old addresses"
        )
        yield Between("every one", stays, kept)
        yield Between(
            "new addresses, old filter",
            False,
            "what is loaded now lets this session, and goes on to; a new connection is decided as "
            "it is now, which the plan does not say",
        )
        yield Between(
            "new filter, old routes",
            holds,
            "a new connection is decided as the plan says, by the filter alone, since no route of "
            "ours leads to the gateway itself; answers go back by the way they go now",
        )
        yield Between(
            "this very session under the new filter",
            stays and tracked,
            "connection tracking knows it, so it passes as established"
            if tracked
            else "connection tracking does not know it, as on a host where nothing asks for it: it "
            "breaks off unless it is made known first, by a rule that asks for the state of "
            "connections and a few packets of the session",
        )


def with_place(finding: Diagnostic) -> str:
    """What is wrong, and its place in the charter, in one line."""
    span = finding.span
    return f"{span.file}:{span.line}:{span.column}: {finding.message}"


def _one(code: int) -> Ranges:
    return ranges((code, code))


def _refused(
    prover: Prover,
    told: str,
    witness: Connection | None,
    nearly: tuple[Row, str] | None = None,
) -> Diagnostic:
    """nearly: what lets it, but for what."""
    row, but = nearly or (None, "")
    besides = f" It is let by {row_name(row)}, but {but}." if row else ""
    return Diagnostic(
        "management-refused",
        "error",
        f"the way by which you administer is not always open: {told}{besides}",
        _place(prover.plan, witness, row),
        witness=witness.sentence if witness else None,
        help="name your device in `managed-from` as the charter knows it, or mend what refuses it",
    )


def _place(plan: Plan, witness: Connection | None, nearly: Row | None) -> Span:
    """Where the charter says what stands in the way: the decision itself, the bar of a device, what
    nearly lets it; failing that, who may administer."""
    charter = plan.charter
    row = nearly or (witness.row if witness else None)
    if row is not None and row.kind in CHOSEN and row.span is not None:
        return row.span
    if witness is not None and witness.row.label == BARRED:
        for device in plan.devices:
            if witness.hardware in [coding.hardware_text(one) for one in device.hardware]:
                return charter.where("devices", device.name, BARRED)
    return charter.where("site", "managed-from")
