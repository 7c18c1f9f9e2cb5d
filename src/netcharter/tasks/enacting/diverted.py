"""What others have put on this machine that leads packets elsewhere than the plan does, and whether
that can take the way by which one administers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from ipaddress import ip_network

from netcharter.diagnostics import Diagnostic
from netcharter.plan import coding
from netcharter.plan.shapes import Plan
from netcharter.proofs.management import Path, Session
from netcharter.rollout import network
from netcharter.rollout.diverting import Beyond, Diverting, diverting, looking, missing
from netcharter.rollout.host import Work
from netcharter.rollout.phases import SECRET
from netcharter.rollout.reading import fields, written
from netcharter.rollout.run.real import answered
from netcharter.rollout.shapes import Choice, Network, Write
from netcharter.rollout.ways import WAYS
from netcharter.space.ranges import intersect

SSH, TCP = 22, frozenset({"6", "tcp"})
TOLD = "diverting.json"
LOOP = "lo"  # by which the kernel sees come in what the host itself sends


def before(
    work: Work, plan: Plan, files: Mapping[str, bytes], old: Mapping[str, bytes] | None
) -> tuple[Diverting, ...]:
    """What would lead packets elsewhere than a plan whose kit is to be put in place of another.
    Raises RolloutRefused, EffectFailed."""
    now = work.host.observe(WAYS.settings_of(files))
    return diverting(files, now, answered(looking()), beyond(plan), old)


def after(work: Work, plan: Plan, files: Mapping[str, bytes]) -> tuple[Diverting, ...]:
    """The same once it is in place. Raises RolloutRefused, EffectFailed."""
    now, found = work.host.observe(WAYS.settings_of(files)), answered(looking())
    return (*diverting(files, now, found, beyond(plan)), *missing(files, now, found))


def was_told(work: Work, found: Iterable[Diverting]) -> None:
    """Write down with the trial what of it was there when that was proven. Raises EffectFailed."""
    content = {"sentences": list(sentences(found))}
    work.host.perform(Write(work.paths.within("trial", TOLD), written(content), SECRET))


def since(work: Work, plan: Plan, files: Mapping[str, bytes]) -> tuple[str, ...]:
    """What leads packets elsewhere only since then, one sentence each; nothing for a trial that an
    older program began. Raises RolloutRefused, EffectFailed."""
    data = work.host.read(work.paths.within("trial", TOLD))
    if data is None:
        return ()
    told = fields(f"trial/{TOLD}", data).texts("sentences")
    return tuple(one for one in sentences(after(work, plan, files)) if one not in told)


def beyond(plan: Plan) -> Beyond:
    """Whether a plan sends any of a network out by a line."""
    return lambda where: bool(intersect(plan.internet, coding.network(where)))


# --- the way in -----------------------------------------------------------------------------------


def without(path: Path, found: Iterable[Diverting], plan: Plan, session: Session | None) -> Path:
    """The way in, which is not proven where something of others can lead it elsewhere."""
    flows = tuple(_of_session(session) if session else _of_console(plan))
    taking = [one for one in found if any(_takes(one, flow) for flow in flows)]
    if not taking:
        return path
    words = f"what others have put here can lead the way in elsewhere: {taking[0].sentence}"
    finding = Diagnostic(
        "management-led-elsewhere",
        "error",
        words,
        plan.charter.where("site", "managed-from"),
        help="take it away, or have its owner do so, before this is put in place",
    )
    sentence = words if path.holds else path.sentence
    return replace(path, holds=False, sentence=sentence, findings=(*path.findings, finding))


@dataclass(frozen=True, slots=True)
class _Flow:
    """Conversations of clients with a server. device: by which they come in, None: not known; ports:
    of the client, if that is known, and of the server."""

    client: Network
    server: Network
    device: str | None
    ports: tuple[int | None, int]


def _of_session(session: Session) -> Iterator[_Flow]:
    ports = (session.client_port, session.server_port)
    yield _Flow(ip_network(session.client), ip_network(session.server), session.device, ports)


def _of_console(plan: Plan) -> Iterator[_Flow]:
    """Of all devices that are to get in, wherever in their areas they are."""
    names = plan.charter.site.managed_from
    there = [one for one in plan.devices if one.name in names]
    homes = {one.area for one in there}
    roams = any(one.roams for one in there)
    own = [area.gateway4 for area in plan.areas]
    own6 = [subnet.gateway for area in plan.areas for subnet in area.subnets6]
    for area in plan.areas:
        if roams or area.name in homes:
            places: list[Network] = [*area.networks]
            for place in places:
                for server in (*own, *own6):
                    if server.version == place.version:
                        yield _Flow(place, ip_network(server), area.device, (None, SSH))


def _takes(one: Diverting, flow: _Flow) -> bool:
    """Whether it may take a packet of a flow: of those that come in only what is asked before the
    host's own addresses are."""
    if one.family != flow.client.version:
        return False
    if one.network is not None:
        return any(one.network.overlaps(end) for end in (flow.client, flow.server))
    if one.choice is None:
        return True
    client, server = flow.ports
    answer = (flow.server, flow.client, LOOP, (server, client))
    coming = (flow.client, flow.server, flow.device, (client, server))
    return _matches(one.choice, *answer) or (one.early and _matches(one.choice, *coming))


def _matches(
    choice: Choice,
    source: Network,
    destination: Network,
    device: str | None,
    ports: Sequence[int | None],
) -> bool:
    """Whether a choice may match; marks, users and what is not known here may always."""
    said = network.pairs(choice.words)
    if "not" in choice.words or choice.words[0] == network.UNWRITTEN:
        return True
    for word, where in (("from", source), ("to", destination)):
        if word in said and not ip_network(said[word], strict=False).overlaps(where):
            return False
    for word, port in zip(("sport", "dport"), ports, strict=True):
        if word in said and port is not None and not _has(said[word], port):
            return False
    if "ipproto" in said and said["ipproto"] not in TCP:
        return False
    return device is None or said.get("iif", device) == device


def _has(text: str, port: int) -> bool:
    """Whether a port is in what a choice says of ports: one, from one to another, or bits."""
    low, _, high = text.partition("-")
    if not (low.isdecimal() and (high or low).isdecimal()):
        return True
    return int(low) <= port <= int(high or low)


def sentences(found: Iterable[Diverting]) -> tuple[str, ...]:
    return tuple(one.sentence for one in found)
