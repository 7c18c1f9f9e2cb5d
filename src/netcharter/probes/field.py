"""The machines of a lab as a field to try packets in: send probes, see what becomes of them.

Each station has a packet socket on its device; the gateway sends through its own output hook and
sees, by raw sockets, what passed its input hook. Silence is not waited for. All packets of a lab
move on the processor that sent them, in one queue; so once a frame of our own has gone through the
queue more often than a packet can hop, every packet is where it is going.
"""

from __future__ import annotations

import ctypes
import os
import resource
import select
import socket
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from errno import EACCES, EHOSTUNREACH, ENETUNREACH, EPROTONOSUPPORT
from fcntl import ioctl
from ipaddress import IPv6Address
from typing import Any, Self

from netcharter.plan.coding import ICMP, ICMP6, TCP, UDP
from netcharter.plan.shapes import Address
from netcharter.probes.captures import Taken
from netcharter.probes.frames import MAGIC, REPLY, SPACING, data, framed, packets
from netcharter.probes.shapes import GATEWAY, Answered, Arrival, Place, Probe
from netcharter.probes.sightings import Sighting, in_body, in_frame, in_packet4

CLONE_NEWNET = 0x40000000
ETH_P_ALL, SOL_PACKET, PACKET_IGNORE_OUTGOING, PACKET_OTHERHOST = 0x0003, 263, 23, 3
EXPERIMENT = 0x88B5  # IEEE 802: for local experiments
SIOCGIFHWADDR, SIOCGIFFLAGS, SIOCSIFFLAGS, IFF_UP = 0x8927, 0x8913, 0x8914, 1
IP_PKTINFO, IP_FREEBIND, IPV6_FREEBIND, SO_TIMESTAMPNS = 8, 15, 78, 35
TCP_REPAIR, TCP_REPAIR_QUEUE, TCP_QUEUE_SEQ, SEND_QUEUE, REPAIR_OFF = 19, 20, 21, 2, -1
HOPS = 24  # more than a packet and its answer make, neighbour discovery included
ROUNDS = 64  # how often responders may answer before a batch counts as settled
LONGEST = 65536
PATIENCE = 2  # seconds for a frame of our own to go through the queue
HALF_OPEN = 4096
ERRORS: Mapping[int, Answered] = {
    EACCES: "prohibited",
    ENETUNREACH: "unreachable",
    EHOSTUNREACH: "unreachable",
}
ORDER: tuple[Answered, ...] = ("answered", "reset", "prohibited", "unreachable")

_libc = ctypes.CDLL(None, use_errno=True)


@dataclass(slots=True)
class _Try:
    """A probe that is under way, and what was seen of it so far."""

    probe: Probe
    token: int
    arrivals: dict[Arrival, None] = field(default_factory=dict)
    answers: set[Answered] = field(default_factory=set)

    def outcome(self) -> tuple[Answered, tuple[Arrival, ...]]:
        """What arrived was let: whatever its receiver's kernel thinks of it is no refusal."""
        if self.arrivals:
            answer: Answered = "answered" if "answered" in self.answers else "silent"
        else:
            answer = next((each for each in ORDER if each in self.answers), "silent")
        return answer, tuple(self.arrivals)


class Field:
    """The stations of a lab, with open sockets in each of them; a context manager.

    To be used by one thread, which it keeps on one processor while it exists. mark: the packet mark
    of what stations other than the gateway say of themselves, 0 for none. Raises OSError where a
    namespace or a device of a place does not exist.
    """

    def __init__(self, places: Mapping[str, Place], mark: int = 0) -> None:
        self.places = dict(places)
        self._mark = mark
        self._open = ExitStack()
        self._poll = select.epoll()
        self._open.callback(self._poll.close)
        self._handlers: dict[int, Callable[[int], None]] = {}
        self._sockets: dict[tuple[Any, ...], socket.socket] = {}
        self._tries: dict[int, _Try] = {}
        self._token = SPACING
        self._ways: dict[str, tuple[int, int]] = {}  # device of the gateway, its hardware address
        try:
            self._begin()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close every socket, and leave the processor free again."""
        for each in self._sockets.values():
            each.close()
        self._sockets.clear()
        self._handlers.clear()
        self._open.close()

    def send(self, probes: Sequence[Probe]) -> list[tuple[Answered, tuple[Arrival, ...]]]:
        """Send all, and tell of each what its sender got back and where it arrived.

        Bounded in time: nothing is waited for but what is under way. Raises OSError where a
        station has no way to the gateway, or the lab's own queue stands still.
        """
        tries = [_Try(probe, self._next_token()) for probe in probes]
        for each in tries:
            self._respond(each.probe)
        self._tries = {each.token: each for each in tries}
        for each in tries:
            self._launch(each)
        self._settle()
        self._tries = {}
        self._end_talks()
        return [each.outcome() for each in tries]

    @contextmanager
    def recording(self, stations: Sequence[str]) -> Iterator[list[Taken]]:
        """Collect every frame that these stations send or receive while the context lasts; the
        list is filled at its end. Of the gateway, those of all its devices.
        """
        taken: list[Taken] = []
        with ExitStack() as stack:
            taps = [(name, stack.enter_context(self._recorder(name))) for name in stations]
            yield taken
            for name, tap in taps:
                taken += _recorded(name, tap)

    # --- beginning ------------------------------------------------------------------------------

    def _begin(self) -> None:
        home = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
        self._open.callback(os.close, home)
        self._home = home
        self._one_processor()
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
        self._open.callback(resource.setrlimit, resource.RLIMIT_NOFILE, (soft, hard))
        for name, place in self.places.items():
            with self._within(name):
                _no_repeats()
                if name != GATEWAY:
                    self._watch(("tap", name), _tap(place.device), self._tapped(name))
        self._begin_queue()
        if GATEWAY in self.places:
            self._begin_gateway()
        self._settle()

    def _one_processor(self) -> None:
        before = os.sched_getaffinity(0)
        os.sched_setaffinity(0, {min(before)})
        self._open.callback(os.sched_setaffinity, 0, before)

    def _begin_queue(self) -> None:
        """The socket whose frames go round once for each hop that others may make."""
        name = next((n for n in self.places if n != GATEWAY), GATEWAY)
        with self._within(name):
            _switch_on("lo")
            queue = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(EXPERIMENT))
            self._sockets[("queue",)] = queue
            queue.bind(("lo", EXPERIMENT))
        wait = struct.pack("@ll", PATIENCE, 0)
        queue.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, wait)
        self._round = bytes(12) + EXPERIMENT.to_bytes(2, "big") + MAGIC

    def _begin_gateway(self) -> None:
        """Sockets to send from it, and a frame out of every device, so that whoever is there learns
        the hardware address of its way to the gateway.
        """
        with self._within(GATEWAY):
            for family in (socket.AF_INET, socket.AF_INET6):
                sender = socket.socket(family, socket.SOCK_RAW, socket.IPPROTO_RAW)
                self._sockets[("sender", family)] = sender
                _of_any_address(sender, family)
                sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as teller:
                for number, device in socket.if_nameindex():
                    kind = EXPERIMENT.to_bytes(2, "big") + MAGIC + number.to_bytes(4, "big")
                    frame = b"\xff" * 6 + _hardware(teller, device) + kind
                    with suppress(OSError):  # a device that is down leads nowhere
                        teller.sendto(frame, (device, EXPERIMENT))
        for protocol in (TCP, UDP):
            self._receive(protocol, 4)
            self._receive(protocol, 6)
        self._receive(ICMP, 4)
        self._receive(ICMP6, 6)

    @contextmanager
    def _within(self, station: str) -> Iterator[None]:
        """In the network namespace of a station; sockets stay where they were opened."""
        there = os.open(self.places[station].namespace, os.O_RDONLY | os.O_CLOEXEC)
        try:
            _enter(there)
            yield
        finally:
            os.close(there)
            _enter(self._home)

    def _watch(
        self, key: tuple[Any, ...], opened: socket.socket, handler: Callable[[int], None]
    ) -> socket.socket:
        opened.setblocking(False)
        self._sockets[key] = opened
        self._handlers[opened.fileno()] = handler
        self._poll.register(opened.fileno(), select.EPOLLIN)
        return opened

    def _forget(self, key: tuple[Any, ...]) -> None:
        opened = self._sockets.pop(key)
        self._handlers.pop(opened.fileno(), None)
        with suppress(OSError):
            self._poll.unregister(opened.fileno())
        opened.close()

    # --- waiting --------------------------------------------------------------------------------

    def _settle(self) -> None:
        """Until every packet is where it is going, and every responder has said its part."""
        queue = self._sockets[("queue",)]
        for _ in range(ROUNDS):
            for _ in range(HOPS):
                queue.send(self._round)
                try:
                    queue.recv(64)
                except BlockingIOError:
                    raise TimeoutError("the lab's network stands still") from None
            events = self._poll.poll(0)
            if not events:
                return
            for number, event in events:
                handler = self._handlers.get(number)
                if handler is not None:
                    handler(event)
        raise TimeoutError("the lab's network does not come to rest")

    # --- seeing ---------------------------------------------------------------------------------

    def _tapped(self, station: str) -> Callable[[int], None]:
        """What a station's packet socket sees."""

        def handle(_: int) -> None:
            tap = self._sockets[("tap", station)]
            with suppress(BlockingIOError):
                while True:
                    frame, (_, kind, sort, _, _) = tap.recvfrom(LONGEST)
                    if kind == EXPERIMENT and frame[14:].startswith(MAGIC):
                        way = int.from_bytes(frame[14 + len(MAGIC) :], "big")
                        self._ways[station] = way, int.from_bytes(frame[6:12], "big")
                        continue
                    seen = in_frame(frame)
                    if seen is not None and seen.token in self._tries:
                        hardware = int.from_bytes(frame[6:12], "big")
                        self._saw(station, seen, hardware, sort != PACKET_OTHERHOST)

        return handle

    def _saw(self, station: str, seen: Sighting, hardware: int | None, counts: bool) -> None:
        """hardware: whose frame it was, if it came in one; the sender's own frame reaches its
        neighbours without the gateway. counts: it may have arrived here.
        """
        found = self._tries[seen.token]
        probe = found.probe
        if seen.answer is None or _same_message(seen, probe):
            beside = hardware is not None and hardware == probe.packet.hardware
            if counts and not beside:
                place = Arrival(station, seen.source, seen.destination, seen.number)
                found.arrivals[place] = None
        elif probe.shape == "talk" and seen.answer == "answered":
            return  # its own socket tells
        elif self._same_link(station, probe.station):
            found.answers.add(seen.answer)

    def _same_link(self, one: str, other: str) -> bool:
        """A forged source may have the answer go to another machine there."""
        return one == other or (one in self._ways and self._ways[one] == self._ways.get(other))

    def _receive(self, protocol: int, version: int) -> None:
        """See what the gateway's input hook lets through to one protocol."""
        key = ("raw", protocol, version)
        if key in self._sockets or GATEWAY not in self.places:
            return
        family = socket.AF_INET if version == 4 else socket.AF_INET6
        with self._within(GATEWAY):
            try:
                opened = socket.socket(family, socket.SOCK_RAW, protocol)
            except OSError as fault:
                if fault.errno != EPROTONOSUPPORT:
                    raise
                return
            if version == 6:
                opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_RECVPKTINFO, 1)
        self._watch(key, opened, lambda _: self._received(opened, protocol, version))

    def _received(self, opened: socket.socket, protocol: int, version: int) -> None:
        with suppress(BlockingIOError):
            while True:
                said, extra, _, peer = opened.recvmsg(LONGEST, 64)
                if version == 4:
                    seen = in_packet4(said)
                else:
                    source = IPv6Address(peer[0].partition("%")[0])
                    seen = in_body(protocol, said, source, IPv6Address(_asked(extra)))
                if seen is not None and seen.token in self._tries:
                    self._saw(GATEWAY, seen, None, True)

    # --- sending --------------------------------------------------------------------------------

    def _next_token(self) -> int:
        self._token = (self._token + SPACING) % (1 << 31) or SPACING
        return self._token

    def _launch(self, found: _Try) -> None:
        probe = found.probe
        packet = probe.packet
        self._receive(packet.protocol, packet.source.version)
        if probe.shape == "talk":
            self._talk(found)
            return
        backwards = probe.shape == "fragments" and probe.number % 2 == 1
        for each in packets(packet, probe.shape, found.token, backwards):
            if probe.station == GATEWAY:
                self._from_gateway(found, each)
            else:
                self._from_station(found, each)

    def _from_station(self, found: _Try, packet: bytes) -> None:
        station = found.probe.station
        way = self._ways.get(station)
        if way is None:
            raise OSError(EHOSTUNREACH, f"station {station} has no way to the gateway")
        said = found.probe.packet.hardware
        sender = self.places[station].hardware if said is None else said
        self._sockets[("tap", station)].send(framed(packet, sender, way[1]))

    def _from_gateway(self, found: _Try, packet: bytes) -> None:
        """Through routing and the output hook, with the source that the packet says."""
        asked = found.probe.packet
        version = asked.source.version
        family = socket.AF_INET if version == 4 else socket.AF_INET6
        with _told_by_kernel(found):
            self._sockets[("sender", family)].sendmsg(
                [packet], [_source(asked.source)], 0, (str(asked.destination), 0)
            )

    # --- answering ------------------------------------------------------------------------------

    def _respond(self, probe: Probe) -> None:
        """Have somebody answer, wherever an answer is expected."""
        expected, protocol = probe.expected, probe.packet.protocol
        if expected.answer != "answered" or protocol not in (TCP, UDP):
            return
        number = probe.packet.number if expected.number is None else expected.number
        for station in expected.arrives:
            key = ("responder", station, protocol, number)
            if key in self._sockets or not number:
                continue
            with self._within(station):
                opened = _responder(protocol, number)
            handler = self._accept if protocol == TCP else self._echo
            self._watch(key, opened, lambda _, o=opened, h=handler: h(o))  # type: ignore[misc]

    def _echo(self, opened: socket.socket) -> None:
        """Answer a datagram from the address that was asked."""
        with suppress(BlockingIOError):
            while True:
                said, extra, _, peer = opened.recvmsg(LONGEST, 64)
                token = _token(said, MAGIC)
                if token in self._tries and self._tries[token].probe.expected.answer == "answered":
                    asked = struct.pack("@16sI", _asked(extra), 0)
                    info = (socket.IPPROTO_IPV6, socket.IPV6_PKTINFO, asked)
                    with suppress(OSError):  # from a group, or to nowhere: nothing is seen then
                        opened.sendmsg([data(token, REPLY)], [info], 0, peer)

    def _accept(self, opened: socket.socket) -> None:
        with suppress(BlockingIOError):
            while True:
                taken, _ = opened.accept()
                _ends_at_once(taken)
                key = ("accepted", taken.fileno())
                self._watch(key, taken, lambda _, k=key: self._return(k))  # type: ignore[misc]

    def _return(self, key: tuple[Any, ...]) -> None:
        """Say back what was said; close when the other side has."""
        opened = self._sockets[key]
        try:
            said = opened.recv(LONGEST)
            token = _token(said, MAGIC)
            if token is not None:
                opened.send(data(token, REPLY))
        except OSError:
            said = b""
        if not said:
            self._forget(key)

    # --- talking --------------------------------------------------------------------------------

    def _talk(self, found: _Try) -> None:
        """A real connection of the station's own kernel, from the probe's address and port."""
        packet = found.probe.packet
        family = socket.AF_INET if packet.source.version == 4 else socket.AF_INET6
        kind = socket.SOCK_STREAM if packet.protocol == TCP else socket.SOCK_DGRAM
        with self._within(found.probe.station):
            opened = socket.socket(family, kind)
        key = ("talk", found.token)
        self._watch(key, opened, lambda event: self._talking(key, found, event))
        _of_any_address(opened, family)
        if self._mark and found.probe.station != GATEWAY:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_MARK, self._mark)
        if packet.protocol == TCP:
            _begins_at(opened, found.token)
            _ends_at_once(opened)
        with _told_by_kernel(found):
            opened.bind((str(packet.source), packet.port))
            with suppress(BlockingIOError):
                opened.connect((str(packet.destination), packet.number))
            if packet.protocol == TCP:
                self._poll.modify(opened.fileno(), select.EPOLLOUT)
            else:
                opened.send(data(found.token))

    def _talking(self, key: tuple[Any, ...], found: _Try, event: int) -> None:
        opened = self._sockets[key]
        try:
            if event & select.EPOLLOUT and not event & (select.EPOLLERR | select.EPOLLHUP):
                opened.send(data(found.token))
                self._poll.modify(opened.fileno(), select.EPOLLIN)
                return
            if _token(opened.recv(LONGEST), REPLY) == found.token:
                found.answers.add("answered")
        except OSError as fault:
            _tell(found, fault)
        self._forget(key)

    def _end_talks(self) -> None:
        """Nobody may be left speaking when the next probes go out."""
        for key in [key for key in self._sockets if key[0] in ("talk", "accepted")]:
            self._forget(key)
        self._settle()

    # --- recording ------------------------------------------------------------------------------

    def _recorder(self, station: str) -> socket.socket:
        with self._within(station):
            tap = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETH_P_ALL))
            if station != GATEWAY:
                tap.bind((self.places[station].device, ETH_P_ALL))
        tap.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        tap.setblocking(False)
        return tap


# --- of sockets -----------------------------------------------------------------------------------


def _enter(namespace: int) -> None:
    if _libc.setns(namespace, CLONE_NEWNET) != 0:
        number = ctypes.get_errno()
        raise OSError(number, f"no way into a network namespace: {os.strerror(number)}")


def _tap(device: str) -> socket.socket:
    """A packet socket that does not hear itself."""
    tap = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ETH_P_ALL))
    try:
        tap.setsockopt(SOL_PACKET, PACKET_IGNORE_OUTGOING, 1)
        tap.bind((device, ETH_P_ALL))
    except OSError:
        tap.close()
        raise
    return tap


def _hardware(any_socket: socket.socket, device: str) -> bytes:
    found = ioctl(any_socket, SIOCGIFHWADDR, struct.pack("16s24x", device.encode()))
    return bytes(found[18:24])


def _switch_on(device: str) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        asked = struct.pack("16sH22x", device.encode(), 0)
        flags = struct.unpack("16sH22x", ioctl(any_socket, SIOCGIFFLAGS, asked))[1]
        wanted = struct.pack("16sH22x", device.encode(), flags | IFF_UP)
        ioctl(any_socket, SIOCSIFFLAGS, wanted)


def _no_repeats() -> None:
    """A SYN-ACK that nobody takes is not said again: it would meet the next probe."""
    with suppress(OSError), open("/proc/sys/net/ipv4/tcp_synack_retries", "w") as setting:
        setting.write("0")


def _of_any_address(opened: socket.socket, family: int) -> None:
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    if family == socket.AF_INET:
        opened.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
    else:
        opened.setsockopt(socket.IPPROTO_IPV6, IPV6_FREEBIND, 1)


def _begins_at(opened: socket.socket, token: int) -> None:
    """Have a TCP connection begin with this sequence number (tcp(7) knows the options by name)."""
    level = socket.IPPROTO_TCP
    opened.setsockopt(level, TCP_REPAIR, 1)
    opened.setsockopt(level, TCP_REPAIR_QUEUE, SEND_QUEUE)
    opened.setsockopt(level, TCP_QUEUE_SEQ, token)
    opened.setsockopt(level, TCP_REPAIR, REPAIR_OFF)


def _ends_at_once(opened: socket.socket) -> None:
    """Closing resets, so that nothing of a conversation outlives its probe."""
    opened.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("@ii", 1, 0))


def _responder(protocol: int, number: int) -> socket.socket:
    """Both families, every address."""
    kind = socket.SOCK_STREAM if protocol == TCP else socket.SOCK_DGRAM
    opened = socket.socket(socket.AF_INET6, kind)
    try:
        _of_any_address(opened, socket.AF_INET6)
        opened.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 0)
        opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_RECVPKTINFO, 1)
        opened.bind(("::", number))
        if protocol == TCP:
            opened.listen(HALF_OPEN)
    except OSError:
        opened.close()
        raise
    return opened


def _source(address: Address) -> tuple[int, int, bytes]:
    """Ancillary data: send from this address, by whichever device routing says."""
    if address.version == 4:
        return socket.IPPROTO_IP, IP_PKTINFO, struct.pack("@I4s4x", 0, address.packed)
    return socket.IPPROTO_IPV6, socket.IPV6_PKTINFO, struct.pack("@16sI", address.packed, 0)


@contextmanager
def _told_by_kernel(found: _Try) -> Iterator[None]:
    """A kernel may refuse its own packets to their sender's face. That its filter dropped one
    (EPERM) says nothing of the manner.
    """
    try:
        yield
    except OSError as fault:
        _tell(found, fault)


def _tell(found: _Try, fault: OSError) -> None:
    answer = ERRORS.get(fault.errno or 0)
    if answer is not None:
        found.answers.add(answer)


def _asked(extra: Sequence[tuple[int, int, bytes]]) -> bytes:
    """The address that a datagram was sent to, 16 bytes."""
    for level, kind, said in extra:
        if level == socket.IPPROTO_IPV6 and kind == socket.IPV6_PKTINFO:
            return said[:16]
    return bytes(16)


def _token(said: bytes, word: bytes) -> int | None:
    at = said.find(word)
    return None if at < 0 else int.from_bytes(said[at + 8 : at + 12], "big")


def _same_message(seen: Sighting, probe: Probe) -> bool:
    """An ICMP error or reply that nobody asked for is no answer to itself."""
    packet = probe.packet
    return (
        packet.protocol in (ICMP, ICMP6)
        and seen.protocol == packet.protocol
        and seen.number == packet.number
    )


def _recorded(station: str, tap: socket.socket) -> Iterator[Taken]:
    with suppress(BlockingIOError):
        while True:
            frame, extra, _, (device, *_) = tap.recvmsg(LONGEST, 128)
            at = next((said for _, kind, said in extra if kind == SO_TIMESTAMPNS), bytes(16))
            seconds, rest = struct.unpack("@ll", at[:16])
            name = f"{station} {device}" if station == GATEWAY else station
            yield Taken(name, seconds * 10**9 + rest, frame)
