"""What unbound is told (unbound.conf(5)): who may ask, whom to ask, and what it knows by itself.

One instance of our own, with nothing of the machine's own settings. The one that Debian's package
begins has the same port and is set aside while ours runs, as `render.clock` does with chrony's. The
file lies beside theirs, since the package's AppArmor profile lets the program read nothing else.

It asks the internet's own name servers from the root on, or, where there are resolvers to ask, these.

Where dnsdist is whom the areas ask (`render/withholding.py`), this one stands behind it, at loopback
alone: at one port it is told who asks by the PROXY protocol, and goes by that as by an asker's own
address; at the other one it is asked plainly, by this machine alone. There, who asks by an address
that stands for a name to be rewritten sees that name lead to another one, which is looked up as any.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from netcharter.plan.local_names import LocalName, LocalNames, addresses_in, local_names
from netcharter.plan.names.domains import is_below
from netcharter.plan.names.special import REVERSE, zones_of
from netcharter.plan.shapes import Address, AreaPlan, Plan
from netcharter.render.escape import asked_for, domain_name, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service, aside, aside_where, back
from netcharter.render.withholding import (
    BEHIND,
    LOCAL_TIME,
    LOOPBACK,
    PROXIED,
    Rewriting,
    rewritings,
    withholds,
)
from netcharter.render.withholding import PLAIN as ASKED_PLAINLY
from netcharter.render.withholding import THEIRS as BEFORE

CONF, UNIT_FILE = "names.conf", "names.service"
UNIT = "netcharter-names.service"
AT = "/etc/unbound/netcharter.conf"
THEIRS = "unbound.service"  # that of Debian's package
ROOT_SERVERS = "/usr/share/dns/root.hints"  # of Debian's dns-root-data, as what follows
ROOT_KEY = "/usr/share/dns/root.key"
AUTHORITIES = "/etc/ssl/certs/ca-certificates.crt"  # of Debian's ca-certificates
PLAIN, ENCRYPTED = 53, 853  # ports: RFC 1035 section 4.2, RFC 7858 section 3.1
# Seconds for which any answer may be kept where names rules have hours: so long after the bell what
# was answered before it may go on (common practice, no source).
TIMED = 300


@dataclass(frozen=True, slots=True)
class Upstream:
    """A resolver that is asked in place of the internet's own name servers. tls: the name for which
    it has to have a certificate, None: it is asked in the clear."""

    address: Address
    tls: str | None = None


def resolver(plan: Plan) -> dict[str, str]:
    """The files by name; none where there is no area."""
    if not plan.areas:
        return {}
    return {CONF: settings(plan, upstream(plan)), UNIT_FILE: _unit(withholds(plan))}


def upstream(plan: Plan) -> tuple[Upstream, ...]:
    """The resolvers that the charter has it ask. unbound asks all of them by TLS or none, so beside one
    that is asked by TLS those in the clear are left out."""
    each = tuple(Upstream(one.address, one.tls) for one in plan.charter.resolvers)
    return tuple(one for one in each if one.tls is not None) or each


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    if not plan.areas:
        return ()
    return (Placed(CONF, AT), Placed(UNIT_FILE, f"{UNITS}/{UNIT}"))


def services(plan: Plan) -> tuple[Service, ...]:
    """The one service."""
    return (Service(UNIT, (CONF, UNIT_FILE)),) if plan.areas else ()


def settings(plan: Plan, asked: Sequence[Upstream] = ()) -> str:
    """The text of the settings. asked: the resolvers to ask, all of them by TLS or none; raises
    ValueError."""
    names = local_names(plan)
    behind = withholds(plan)
    rewritten = rewritings(plan) if behind else ()
    out = [f"{OURS}the resolver of the areas", "server:"]
    out += _indented(_COMMON)
    out += _indented(_behind(plan, rewritten) if behind else _in_front(plan))
    if any(one.tls is not None for one in asked):
        out += _indented([f'tls-cert-bundle: "{AUTHORITIES}"'])
    for area in plan.areas:
        out += [f"    {remark(f'area {area.name}')}", *_indented(_area(area))]
    out += _indented(_zone(names))
    out += _indented(_reverse(plan))
    for name in names.devices:
        out += _indented(_both_ways(name))
    for name in names.gateway:
        out += _indented(_back(name))
    for offered in _offered(plan):
        out += _indented(_leads(offered))
    for area, name in zip(plan.areas, names.gateway, strict=True):
        out += ["view:", *_indented(_view(area, name))]
    for one in rewritten:
        out += ["view:", *_indented(_rewriting(one))]
    return "\n".join([*out, *forwarding(asked)]) + "\n"


def forwarding(asked: Sequence[Upstream]) -> Iterator[str]:
    """Whom it asks in place of the root: all of them by TLS, or none, since unbound asks them all alike."""
    if not asked:
        return
    if len({one.tls is None for one in asked}) > 1:
        raise ValueError("resolvers are asked by TLS all of them, or none")
    yield "forward-zone:"
    yield '    name: "."'
    yield f"    forward-tls-upstream: {_yes(asked[0].tls is not None)}"
    for one in asked:
        if one.tls is None:
            yield f"    forward-addr: {one.address}@{PLAIN}"
        else:
            yield f'    forward-addr: "{one.address}@{ENCRYPTED}#{domain_name(one.tls)}"'


def _yes(holds: bool) -> str:
    return "yes" if holds else "no"


def _indented(lines: Iterable[str]) -> list[str]:
    return [f"    {line}" for line in lines]


# --- who may ask ---------------------------------------------------------------------------------


def _in_front(plan: Plan) -> Iterator[str]:
    """Where it listens: at the addresses that are told in the areas. These may come later, and nobody
    else has the port."""
    yield f"port: {PLAIN}"
    yield "ip-freebind: yes"
    for address in (*LOOPBACK, *(one for area in plan.areas for one in addresses_in(area))):
        yield f"interface: {address}"


def _behind(plan: Plan, rewritten: Sequence[Rewriting]) -> Iterator[str]:
    """Where it listens behind dnsdist, and who asks there for what is to be rewritten."""
    yield f"interface: {BEHIND}@{PROXIED}"
    yield f"interface: {BEHIND}@{ASKED_PLAINLY}"
    yield f"proxy-protocol-port: {PROXIED}"
    if any(row.during or row.until for row in plan.names.rows):
        yield f"cache-max-ttl: {TIMED}"
    for one in rewritten:
        yield f"access-control-view: {one.source}/32 {one.name}"


def _rewriting(one: Rewriting) -> Iterator[str]:
    """Names as who asks for them sees them that are to be rewritten."""
    yield f"name: {one.name}"
    yield "view-first: yes"
    for name in one.names:
        yield f'local-zone: "{asked_for(name)}." redirect'
        yield f'local-data: "{asked_for(name)}. {LOCAL_TIME} IN CNAME {asked_for(one.to)}."'


def _area(area: AreaPlan) -> Iterator[str]:
    """Who may ask: the area's hosts."""
    for network in area.networks:
        yield f"access-control: {network} allow"
        yield f"access-control-view: {network} {_of(area)}"


def _of(area: AreaPlan) -> str:
    return f"area{area.number}"


def _view(area: AreaPlan, gateway: LocalName) -> Iterator[str]:
    """The gateway has another address in every area."""
    yield f"name: {_of(area)}"
    yield "view-first: yes"
    yield from _leads(gateway)


# --- what it knows by itself ---------------------------------------------------------------------


def _zone(names: LocalNames) -> Iterator[str]:
    """In a domain that others have, too, the internet knows the rest."""
    kind = "static" if names.alone else "transparent"
    yield f'local-zone: "{domain_name(names.domain)}." {kind}'


def _reverse(plan: Plan) -> Iterator[str]:
    """Whose addresses are the site's own is known here, also where nobody else keeps to himself what
    these are called (RFC 6303 section 3)."""
    for area in plan.areas:
        for zone in (zone for network in area.networks for zone in zones_of(network)):
            if not any(is_below(zone, one) for one in REVERSE):
                yield f'local-zone: "{domain_name(zone)}." static'


def _offered(plan: Plan) -> Iterator[LocalName]:
    """The names by which offers are known outside, with where they lead inside."""
    for found in plan.names.local.values():
        for one in found:
            if one.offer is not None:
                yield LocalName(one.name, one.addresses)


def _both_ways(name: LocalName) -> Iterator[str]:
    yield from _leads(name)
    yield from _back(name)


def _leads(name: LocalName) -> Iterator[str]:
    for address in name.addresses:
        kind = "A" if address.version == 4 else "AAAA"
        yield f'local-data: "{domain_name(name.name)}. {LOCAL_TIME} IN {kind} {address}"'


def _back(name: LocalName) -> Iterator[str]:
    for address in name.addresses:
        yield f'local-data-ptr: "{address} {LOCAL_TIME} {domain_name(name.name)}"'


# --- what holds everywhere -----------------------------------------------------------------------

# What no answer from outside may lead to, lest a page from outside reach what is inside by a name of
# its own ("DNS rebinding"): this host, this network, private, shared and link-local addresses, in
# IPv6 written as IPv4, too (RFC 6890, RFC 6598).
PRIVATE = (
    "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12",
    "192.168.0.0/16", "::/128", "::1/128", "::ffff:0:0/96", "fc00::/7", "fe80::/10",
)  # fmt: skip
# Beside those of RFC 6303 and its like, which unbound answers by itself.
_NOWHERE = (
    'local-zone: "local." always_nxdomain',  # RFC 6762 section 22.1
    'local-zone: "resolver.arpa." always_nodata',  # RFC 9462 section 6.4
)
_COMMON = (
    # itself; nothing is noted but what goes wrong, and never who asked for what
    'username: ""',
    'chroot: ""',
    'directory: ""',
    'pidfile: ""',
    "use-syslog: no",
    "verbosity: 0",
    "val-log-level: 0",
    "log-queries: no",
    "log-replies: no",
    "log-servfail: no",
    "log-local-actions: no",
    "so-reuseport: no",
    # how much it takes
    "num-threads: 1",
    "msg-cache-size: 8m",
    "rrset-cache-size: 16m",
    "key-cache-size: 4m",
    "neg-cache-size: 1m",
    "incoming-num-tcp: 100",
    "edns-buffer-size: 1232",
    # what it believes
    f'root-hints: "{ROOT_SERVERS}"',
    f'trust-anchor-file: "{ROOT_KEY}"',
    'module-config: "validator iterator"',
    "harden-glue: yes",
    "harden-dnssec-stripped: yes",
    "harden-below-nxdomain: yes",
    "aggressive-nsec: yes",
    "unwanted-reply-threshold: 10000000",
    *(f"private-address: {network}" for network in PRIVATE),
    # what it tells others
    "qname-minimisation: yes",
    "use-caps-for-id: no",
    "minimal-responses: yes",
    "deny-any: yes",
    "hide-identity: yes",
    "hide-version: yes",
    # while nobody can be asked (RFC 8767)
    "serve-expired: yes",
    "serve-expired-ttl: 86400",
    "serve-expired-reply-ttl: 30",
    "serve-expired-client-timeout: 1800",
    *_NOWHERE,
)


def _unit(behind: bool) -> str:
    """The power is for the port; the user comes with the package. It writes nothing. Where nothing of
    ours stands before it, the dnsdist of Debian's package is set aside as well where it has the same
    port: it may have come with an earlier kit."""
    theirs = (THEIRS,) if behind else (THEIRS, BEFORE)
    set_aside = [aside(THEIRS), *([] if behind else [aside_where(BEFORE, "dnsdist", PLAIN)])]
    return f"""\
{OURS}names are looked up for the areas.

[Unit]
Description=Look names up for the areas
After=local-fs.target network-pre.target netcharter-boot.service

[Service]
Type=notify
NotifyAccess=main
{chr(10).join(set_aside)}
ExecStart=/usr/sbin/unbound -d -p -c {AT}
{chr(10).join(map(back, theirs))}
User=unbound
AmbientCapabilities=CAP_NET_BIND_SERVICE
CapabilityBoundingSet=CAP_NET_BIND_SERVICE
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
PrivateDevices=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
LockPersonality=yes
MemoryDenyWriteExecute=yes
Restart=always
RestartSec=2

[Install]
WantedBy=multi-user.target
"""
