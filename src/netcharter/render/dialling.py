"""What pppd is told of a line that is dialled by PPPoE, after pppd(8) and RFC 2516.

Three files per session and one that all share. They are not loaded like the rest of a kit, but put
where pppd and the service manager look (`placed`), and the session runs as a service of its own
(`services`). The password is in none of them: pppd reads it from /etc/ppp/chap-secrets or
/etc/ppp/pap-secrets.

The default route goes by a hook into the table where `render/routes.py` looks for it; it leaves by
itself with the device when the session ends. Each device is named after its line's number, and a
session whose name is taken ends instead of taking another.
"""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.plan.shapes import LinePlan, Plan
from netcharter.render.escape import bare_device, ppp_word, remark
from netcharter.render.placing import OURS, UNITS, Placed, Service
from netcharter.render.routes import TABLES

PPP = "/etc/ppp"
HOOK, PEERS = "ppp-up.sh", f"{PPP}/peers"
HOOKS = ("/etc/ppp/ip-up.d/netcharter", "/etc/ppp/ipv6-up.d/netcharter")
PARAMETER = "netcharter-"  # what a hook is told of a session of ours, with the table behind it
ECHO, MISSED, AGAIN = (
    10,
    3,
    5,
)  # seconds between questions, unanswered ones, seconds until redialled


def dialling(plan: Plan) -> dict[str, str]:
    """The files by name; none where no line is dialled."""
    lines = _dialled(plan)
    found: dict[str, str] = {}
    for line in lines:
        found[f"{bare_device(line.device)}.peer"] = _peer(line)
        found[f"{bare_device(line.device)}.service"] = _unit(line)
    return found | ({HOOK: _HOOK} if lines else {})


def placed(plan: Plan) -> tuple[Placed, ...]:
    """Where each of them is to lie."""
    lines = _dialled(plan)
    found: list[Placed] = []
    for line in lines:
        name = f"netcharter-{line.device}"
        found.append(Placed(f"{line.device}.peer", f"{PEERS}/{name}"))
        found.append(Placed(f"{line.device}.service", f"{UNITS}/{name}.service"))
    return (*found, *(Placed(HOOK, at, 0o755) for at in HOOKS if lines))


def services(plan: Plan) -> tuple[Service, ...]:
    """One for each session."""
    return tuple(
        Service(
            f"netcharter-{line.device}.service",
            (f"{line.device}.peer", f"{line.device}.service", HOOK),
        )
        for line in _dialled(plan)
    )


def _dialled(plan: Plan) -> list[LinePlan]:
    return [line for line in plan.lines if line.pppoe is not None]


def _peer(line: LinePlan) -> str:
    return (
        "\n".join([f"{OURS}a PPPoE session", remark(f"of the line {line.name}"), *_options(line)])
        + "\n"
    )


def _options(line: LinePlan) -> Iterator[str]:
    yield "plugin pppoe.so"
    yield f"nic-{bare_device(line.ethernet)}"
    yield f"ifname {bare_device(line.device)}"
    yield f"user {ppp_word(line.pppoe or '')}"
    yield "# the provider need not prove who it is, and no secret is written to a log"
    yield from ("noauth", "hide-password")
    yield "# addresses are the provider's; the ways out are a hook's"
    yield from ("noipdefault", "nodefaultroute", "nodefaultroute6", "+ipv6")
    yield f"ipparam {PARAMETER}{TABLES + line.number}"
    yield "# RFC 2516 section 7: no larger than this, and none of these"
    yield from (f"mtu {line.mtu}", f"mru {line.mtu}", "noaccomp", "nopcomp", "default-asyncmap")
    yield f"# a session that does not answer for {ECHO * MISSED} s is over, and begun again for ever"
    yield from (f"lcp-echo-interval {ECHO}", f"lcp-echo-failure {MISSED}")
    yield from ("persist", "maxfail 0", f"holdoff {AGAIN}")


def _unit(line: LinePlan) -> str:
    device = bare_device(line.device)
    return f"""\
{OURS}a PPPoE session is kept up.

[Unit]
Description=Keep up the PPPoE session {device}
After=local-fs.target network-pre.target netcharter-boot.service
Before=network-online.target

[Service]
Type=simple
ExecStart=/usr/sbin/pppd call netcharter-{device} nodetach
Restart=always
RestartSec={AGAIN}
# What pppd says when it was ended as asked, pppd(8); else it would be told as failed for ever.
SuccessExitStatus=5
ProtectHome=yes

[Install]
WantedBy=multi-user.target
"""


# Run by what Debian has in /etc/ppp/ip-up and ipv6-up, with their variables, as root. `replace`
# does the same twice; the address tells the family.
_HOOK = f"""\
#!/bin/sh
{OURS}a PPPoE session of ours is the way out of its line.
set -eu
case "${{PPP_IPPARAM:-}}" in
  {PARAMETER}10[1-9]) table="${{PPP_IPPARAM#{PARAMETER}}}" ;;
  *) exit 0 ;;
esac
case "${{PPP_IFACE:-}}" in
  ppp[1-9]) device="$PPP_IFACE" ;;
  *) exit 0 ;;
esac
# What sysctl.conf says of the device, and devices to come are not given by the kernel. Addresses by
# router advertisement (RFC 4862), but no ways: the line's own table has its own.
for setting in ipv4:promote_secondaries=1 ipv4:ignore_routes_with_linkdown=1 \\
  ipv6:ignore_routes_with_linkdown=1 ipv6:accept_ra_defrtr=0 ipv6:accept_ra=2; do
  key="${{setting#*:}}"
  file="/proc/sys/net/${{setting%%:*}}/conf/$device/${{key%=*}}"
  # One byte: of "1 and newline" Linux 6.1 takes one for the routes of a line without carrier, and
  # finds fault with the rest. Whatever comes of it, the way out is put there.
  [ ! -e "$file" ] || printf %s "${{key#*=}}" > "$file" || :
done
case "${{PPP_LOCAL:-}}" in
  *:*)
    exec ip -6 route replace default dev "$device" table "$table" proto static
    ;;
  *)
    exec ip -4 route replace default dev "$device" table "$table" proto static
    ;;
esac
"""
