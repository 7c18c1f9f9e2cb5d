"""What dnsdist is told: which names are answered, withheld and rewritten, for whom and when.

Where a charter has names rules, or anything else goes by which name was asked for, dnsdist (1.7) is
whom the areas ask, and unbound stands behind it at loopback alone: who asks is told it by the PROXY
protocol, so that it goes by the asker still. The decisions of `Plan.names` are rules of dnsdist in
their order, and the first that fits decides; so nothing is decided here. What is local, and what no
answer from outside may hold, stays unbound's.

What a rewritten name has is answered by unbound, too, which is asked for it by an address of its own
and sees another name's answers there (`render/resolver.py`). Names that are in a `Pool` are asked of
that pool's server, wherever a decision answers them.

One instance of our own; the one that Debian's package begins has the same port and is set aside.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address

from netcharter.plan.coding import address as coded
from netcharter.plan.coding import decode
from netcharter.plan.local_names import addresses_in
from netcharter.plan.names.deciding import meets
from netcharter.plan.names.shapes import Audience, NamesRow, What
from netcharter.plan.names.times import key_of
from netcharter.plan.shapes import Address, AreaPlan, Plan
from netcharter.render import stores
from netcharter.render.cdb import LISTED, listed
from netcharter.render.escape import lua_string, shortened
from netcharter.render.placing import OURS, OURS_IN_LUA, UNITS, Placed, Service, aside, back
from netcharter.render.withholding_rules import RULES, SHORT
from netcharter.space.ranges import has

CONF, UNIT_FILE = "withholding.conf", "withholding.service"
UNIT = "netcharter-withholding.service"
AT = "/etc/netcharter/withholding.conf"
THEIRS = "dnsdist.service"  # that of Debian's package
# Ports at loopback: unbound's, and dnsmasq's between (`render/leading.py`); nobody else's in IANA's
# registry.
PROXIED, PLAIN, LEADING = 5333, 5334, 5335
BEHIND = "127.0.0.1"
LOOPBACK = ("127.0.0.1", "::1")
# Seconds for which a local answer may be kept: so long a device that moves is looked for where it was
# (common practice, no source).
LOCAL_TIME = 300
_SEEN = IPv4Address("127.53.0.0")  # of loopback: by which names to be rewritten are asked for
_MANY, _FEWER = 8192, 1024  # questions that wait at one server: all of them, and what is rewritten
_REMARK = 200  # characters of a remark
EVERYTHING = "AllRule()"
GATEWAY, _TO = "gateway", "to "  # where names are led: to the gateway, or as another name leads


@dataclass(frozen=True, slots=True)
class Pool:
    """Names that are asked of a server of their own. name: lower-case letters and digits; server: an
    address of loopback with its port, as dnsdist writes it (`127.0.0.1:5335`)."""

    name: str
    server: str
    names: tuple[What, ...]


def pools(plan: Plan) -> tuple[Pool, ...]:
    """The names that are asked of somebody between dnsdist and unbound: those that lead to places."""
    names = (What(name, name) for place in plan.by_names for name in place.domains)
    return (Pool("leading", f"{BEHIND}:{LEADING}", tuple(names)),) if plan.by_names else ()


def withholds(plan: Plan) -> bool:
    """Whether the areas ask dnsdist."""
    return bool(plan.areas) and bool(plan.charter.names or pools(plan))


def withholding(plan: Plan) -> dict[str, str]:
    """The files by name; none where nothing goes by names."""
    return {CONF: settings(plan, pools(plan)), UNIT_FILE: _UNIT} if withholds(plan) else {}


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not withholds(plan):
        return ()
    return (Placed(CONF, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (CONF, UNIT_FILE)),) if withholds(plan) else ()


# --- what is rewritten ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rewriting:
    """Names that unbound answers with what another name has. source: by which address it is asked."""

    name: str
    source: IPv4Address
    names: tuple[str, ...]
    to: str


def rewritings(plan: Plan) -> tuple[Rewriting, ...]:
    """One for each name that others lead to, however many rules say so; none for a name that the
    gateway knows itself, or that is asked of nobody."""
    named: dict[str, dict[str, None]] = {}
    for row in plan.names.rows:
        if row.action == "rewrite" and row.to is not None and not is_here(plan, row.to):
            named.setdefault(row.to, {}).update(dict.fromkeys(row.named))
    return tuple(
        Rewriting(f"rewrite{number}", _SEEN + number, tuple(names), to)
        for number, (to, names) in enumerate(named.items(), 1)
    )


def is_here(plan: Plan, name: str) -> bool:
    """Whether a name is the gateway's to answer: one that is known here, or that can only be here and
    is not (the first of the decisions about names)."""
    return name in plan.names.local or any(
        meets(plan.names, row, name, lambda *_: None) is not None
        for row in plan.names.rows
        if row.kind == "housekeeping" and row.action in ("local", "none") and row.label != "canary"
    )


# --- the settings --------------------------------------------------------------------------------


def settings(plan: Plan, asked: Sequence[Pool] = ()) -> str:
    """The text of the settings. asked: names that are asked of servers of their own; raises
    ValueError."""
    out = [f"{OURS_IN_LUA}which names are answered, withheld and rewritten in the areas"]
    out += [RULES, LISTED, *_COMMON, *_listening(plan), *_areas(plan), *_lists(plan)]
    for pool in asked:
        out += _pool(pool)
    rewritten = rewritings(plan)
    out += _rewriters(rewritten)
    asking = dict.fromkeys(_who(plan, row.audience) for row in plan.names.rows)
    groups = {who: number for number, who in enumerate(filter(None, asking), 1)}
    out += [f"who[{number}] = hosts({_table(who)})" for who, number in groups.items()]
    for row in plan.names.rows:
        out += _row(plan, row, groups, rewritten)
    # Last the gateway's own questions, which no names rule is about.
    return "\n".join([*out, *_leading(plan), f"answered({EVERYTHING})"]) + "\n"


def _listening(plan: Plan) -> Iterator[str]:
    """Where it listens, whether these addresses are there yet or not, and who may ask."""
    for address in LOOPBACK:
        yield f"addLocal({lua_string(_at(address, 53))})"
    for area in plan.areas:
        for one in addresses_in(area):
            yield f"addLocal({lua_string(_at(str(one), 53))})"
    networks = ["127.0.0.0/8", "::1/128", *(one for area in plan.areas for one in _networks(area))]
    yield f"setACL({_table(networks)})"
    yield f'newServer({{address = "{_at(BEHIND, PROXIED)}", useProxyProtocol = true}}):setUp()'


def _at(address: str, port: int) -> str:
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def _table(texts: Iterable[str]) -> str:
    return "{" + ", ".join(map(lua_string, texts)) + "}"


def _networks(area: AreaPlan) -> list[str]:
    return [str(network) for network in area.networks]


def _remark(text: str) -> str:
    return f"-- {shortened(text, _REMARK)}"


def _areas(plan: Plan) -> Iterator[str]:
    for area in plan.areas:
        yield _remark(f"area {area.name}")
        yield f"area[{area.number}] = hosts({_table(_networks(area))})"


def _lists(plan: Plan) -> Iterator[str]:
    """Every list once, however many rules speak of it."""
    yield "local list = {}"
    for one in plan.names.lists.values():
        yield _remark(f"list {one.name}")
        place = f"{stores.AT}/{stores.place(one)}"
        yield f"list[{lua_string(one.name)}] = {listed(place)}"


def _pool(pool: Pool) -> Iterator[str]:
    name = lua_string(pool.name)
    yield f"newServer({{address = {lua_string(pool.server)}, pool = {name}}}):setUp()"
    yield f"table.insert(pools, {{name = {name}, names = {_what(pool.names)}}})"


def _rewriters(found: Sequence[Rewriting]) -> Iterator[str]:
    """Unbound once more for each name that others lead to. dnsdist sets memory aside for all that a
    server may be asked at a time, whether it ever is or not."""
    if found:
        yield f"setMaxUDPOutstanding({_FEWER})"
    for one in found:
        yield f'rewriter("{one.name}", "{one.source}", "{_at(BEHIND, PLAIN)}")'


# --- one decision --------------------------------------------------------------------------------


Groups = Mapping[tuple[str, ...], int]  # of who asks, each by a number


def _row(
    plan: Plan, row: NamesRow, groups: Groups, elsewhere: Sequence[Rewriting]
) -> Iterator[str]:
    who = _who(plan, row.audience)
    if not who or not row.what:
        return  # it is about nobody, or about nothing
    yield _remark(f"{row.label}: {row.because}" if row.because else row.label)
    parts = [f"who[{groups[who]}]"]
    if row.during or row.until:
        otherwise = "true" if _stricter(row) else "false"
        parts.append(f"during({lua_string(key_of(row.during, row.until))}, {otherwise})")
    rule = f"all({{{', '.join([*parts, _what(row.what)])}}})"
    match row.action:
        case "answer":
            yield f"answered({rule})"
        case "local":
            yield f"known({rule})"
        case "none":
            yield f"nowhere({rule})"
        case "withhold":
            yield f"led({rule}, {lua_string(GATEWAY)})"
        case "rewrite":
            yield _rewritten(plan, row, rule, elsewhere)


def _stricter(row: NamesRow) -> bool:
    """Whether it holds where nobody tells the hours: what withholds or rewrites does, and what
    answers does not, but for emergencies."""
    return row.action != "answer" or row.kind == "emergency"


def _who(plan: Plan, audience: Sequence[Audience]) -> tuple[str, ...]:
    """The networks and addresses from which somebody asks whom a decision is about."""
    found: dict[str, None] = {}
    for one in audience:
        areas = [area for area in plan.areas if area.name in one.areas]
        if one.source is None:
            found |= dict.fromkeys(text for area in areas for text in _networks(area))
            continue
        for low, high in one.source:
            for code in range(low, high + 1):  # the addresses of a device: a few
                address = decode(code)
                if not isinstance(address, tuple) and any(_in(area, address) for area in areas):
                    found[f"{address}/{address.max_prefixlen}"] = None
    return tuple(found)


def _in(area: AreaPlan, address: Address) -> bool:
    return has(area.whole, coded(address))


def _what(terms: Sequence[What]) -> str:
    """The rule that fits what any of the terms names."""
    if any(one.name == "" and one.below for one in terms):
        return EVERYTHING
    itself = [one.name for one in terms if one.name and not one.below]
    below = [one.name for one in terms if one.name and one.below]
    found = [f"itself({_table(itself)})"] if itself else []
    found += [f"below({_table(below)})"] if below else []
    lists = dict.fromkeys(name for one in terms for name in one.lists)
    found += [f"list[{lua_string(name)}]" for name in lists]
    return found[0] if len(found) == 1 else f"any({{{', '.join(found)}}})"


def _leading(plan: Plan) -> Iterator[str]:
    """Where names lead that a decision has led somewhere: to the gateway, which says why, or where
    another name leads that is known here; by area."""
    here = {area.number: addresses_in(area) for area in plan.areas}
    yield _leads(GATEWAY, here, SHORT)
    for to in dict.fromkeys(row.to for row in plan.names.rows if row.to in plan.names.local):
        if to is not None:
            there = {area.number: _local(plan, to, area) for area in plan.areas}
            yield _leads(f"{_TO}{to}", there, LOCAL_TIME)


def _leads(key: str, areas: Mapping[int, Sequence[Address]], time: int) -> str:
    each = ""
    for number, addresses in areas.items():
        for kind, version in (("A", 4), ("AAAA", 6)):
            if found := [str(one) for one in addresses if one.version == version]:
                each += f"\n    {{area = {number}, kind = DNSQType.{kind}, to = {_table(found)}}},"
    return f"leads({lua_string(key)}, {time}, {{{each}\n}})"


def _rewritten(plan: Plan, row: NamesRow, rule: str, elsewhere: Sequence[Rewriting]) -> str:
    """Where the other name is known here its addresses are told at once."""
    to = row.to or ""
    if to in plan.names.local:
        return f"led({rule}, {lua_string(_TO + to)})"
    if is_here(plan, to):
        return f"nowhere({rule})"
    one = next(found for found in elsewhere if found.to == to)
    return f'rewritten({rule}, "{one.name}")'


def _local(plan: Plan, name: str, area: AreaPlan) -> tuple[Address, ...]:
    """What the gateway knows of a name, as it is asked for in an area; what is offered comes first."""
    found = plan.names.local[name]
    found = tuple(one for one in found if one.offer is not None) or found
    here = (one for one in found if one.area in (None, area.name))
    return tuple(dict.fromkeys(address for one in here for address in one.addresses))


# --- what holds everywhere -----------------------------------------------------------------------

# Nobody is told what was asked, nor asked whether this program is safe; no answer is kept here, since
# unbound keeps them and hours would not reach them. It waits for as long as unbound may take, and
# takes from one host no more connections than it needs.
_COMMON = (
    'setSecurityPollSuffix("")',
    "setRingBuffersSize(1, 1)",
    "setUDPTimeout(15)",
    f"setMaxUDPOutstanding({_MANY})",
    "setMaxTCPClientThreads(2)",
    "setMaxTCPQueuedConnections(500)",
    "setMaxTCPConnectionsPerClient(20)",
    "setMaxTCPQueriesPerConnection(500)",
    "setMaxTCPConnectionDuration(120)",
    "setTCPRecvTimeout(5)",
    "setTCPSendTimeout(5)",
    "heard()",
    "addAction(NotRule(OpcodeRule(DNSOpcode.Query)), RCodeAction(DNSRCode.NOTIMP))",
)

# The power is for the port; the user comes with the package. Of the state folder it sees the stores
# of lists alone. Its interpreter makes code that it runs, so that can't be denied it.
_UNIT = f"""\
{OURS}which names are answered is decided for the areas.

[Unit]
Description=Decide which names are answered in the areas
After=local-fs.target network-pre.target netcharter-boot.service netcharter-names.service

[Service]
Type=notify
NotifyAccess=main
{aside(THEIRS)}
ExecStart=/usr/bin/dnsdist --supervised --disable-syslog -C {AT}
{back(THEIRS)}
User=_dnsdist
Group=_dnsdist
AmbientCapabilities=CAP_NET_BIND_SERVICE
CapabilityBoundingSet=CAP_NET_BIND_SERVICE
TemporaryFileSystem=/var/lib/netcharter:ro
BindReadOnlyPaths=-{stores.AT}
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectHostname=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
SystemCallArchitectures=native
LimitNOFILE=16384
MemoryMax=512M
TasksMax=256
UMask=0077
ProtectClock=yes
ProtectProc=invisible
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""
