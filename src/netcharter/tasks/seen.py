"""`seen`: devices that were seen on the gateway and that the charter does not name.

Leases and the neighbour table say who is there. What a device calls itself is its own choice, and
so may be its hardware address; nothing of it is believed, all of it is only told.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from difflib import unified_diff
from typing import Any

from netcharter.charter.edits import added
from netcharter.charter.model import Address, Charter, Device
from netcharter.charter.values import Wrong, hardware, quoted, thing
from netcharter.charter.words import suggest
from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.jsonshape import as_json
from netcharter.diagnostics.span import Span
from netcharter.plan.coding import hardware_text
from netcharter.plan.hardware import is_group, may_change
from netcharter.plan.shapes import Plan
from netcharter.proofs.naming import listed
from netcharter.proofs.neighbours import Table, neighbour_table
from netcharter.render.lending import LEASES
from netcharter.report.limits import CAUTIONS
from netcharter.report.wording import counted
from netcharter.rollout.run import programs
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.tasks.charter_text import quote
from netcharter.tasks.inheriting.held import read_held
from netcharter.tasks.inheriting.where import Where
from netcharter.tasks.moving import compared, understood
from netcharter.tasks.sources import Source, unusable, usable_plan
from netcharter.tasks.vendors import registry, vendor

NEIGHBOURS = ("ip", "-j", "neigh")
LONGEST_NAME = 60  # characters of what a device calls itself
DRAWN = (
    "may have been drawn: with another one it is another device, so that a bar or a lasting address"
    " holds for as long as it keeps this one"
)
CAUTION = (
    "A list of devices is about the people who carry them. "
    + CAUTIONS["monitoring"]
    + " Keep it no longer than it is needed. "
    + CAUTIONS["law"]
)


@dataclass(frozen=True, slots=True)
class Texts:
    """What is known of who is there: files of leases by name, and what `ip -j neigh` printed, with
    what to call it; None where that is not known."""

    leases: Mapping[str, bytes] = field(default_factory=dict)
    neighbours: tuple[str, bytes] | None = None


@dataclass(frozen=True, slots=True)
class Stranger:
    """A device that the charter does not name.

    area: None where its network device and its addresses belong to none; device: of the gateway,
    None where only a lease tells of it; named: what it calls itself, "" if nothing; last: when its
    lease was renewed, None where that can't be told.
    """

    hardware: int
    area: str | None
    device: str | None
    addresses: tuple[Address, ...]
    named: str
    vendor: str | None
    last: datetime | None

    @property
    def may_change(self) -> bool:
        return may_change(self.hardware)

    def as_json(self) -> dict[str, Any]:
        """As docs/reference/json.md has it."""
        last = self.last.isoformat().replace("+00:00", "Z") if self.last else None
        return {
            "hardware": hardware_text(self.hardware),
            "area": self.area,
            "device": self.device,
            "addresses": [str(one) for one in self.addresses],
            "named": self.named,
            "vendor": self.vendor,
            "last": last,
            "may_change": self.may_change,
        }

    def lines(self) -> Iterator[str]:
        """For people."""
        named = f", calls itself {quoted(_short(self.named))}" if self.named else ""
        made = self.vendor or ("vendor unknown" if not self.may_change else "no vendor")
        yield f"  {hardware_text(self.hardware)}  {made}{named}"
        last = f"; lease renewed {self.last:%Y-%m-%d %H:%M} UTC" if self.last else ""
        if self.addresses or last:
            yield f"      {', '.join(map(str, self.addresses[:4])) or 'no address'}{last}"
        if self.may_change:
            yield "      its hardware address may have been drawn"


def _short(text: str) -> str:
    return text if len(text) <= LONGEST_NAME else f"{text[:LONGEST_NAME]}..."


@dataclass(frozen=True)
class Seen:
    """Everybody who was seen and is not named, by area; unread: what the files did not say clearly."""

    site: str
    strangers: tuple[Stranger, ...]
    known: int
    unread: tuple[Diagnostic, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As docs/reference/json.md has it."""
        return {
            "ok": True,
            "site": self.site,
            "registry": registry(),
            "seen": [one.as_json() for one in self.strangers],
            "counts": {
                "seen": len(self.strangers),
                "may_change": sum(one.may_change for one in self.strangers),
                "named": self.known,
            },
            "unread": [as_json(one) for one in self.unread],
            "caution": CAUTION,
        }

    def lines(self) -> Iterator[str]:
        """For people; whatever devices call themselves is still to be made harmless."""
        drawn = sum(one.may_change for one in self.strangers)
        yield (
            f"{self.site}: {len(self.strangers)} seen that the charter does not name, {drawn} of them"
            f" by an address that may have been drawn; {self.known} seen that it names"
        )
        areas = Counter(one.area for one in self.strangers)
        for area, count in areas.items():
            yield ""
            yield f"{area or 'in no area of the charter'} ({count})"
            for one in self.strangers:
                if one.area == area:
                    yield from one.lines()
        yield ""
        yield f"vendors by the registry: {registry()}"
        if drawn:
            yield f"an address that is locally administered {DRAWN}"
        if self.strangers:
            first = hardware_text(self.strangers[0].hardware)
            yield f"to name one: netcharter seen CHARTER --add {first} --as NAME"
        yield CAUTION


def texts_here(read: Any) -> Texts:
    """Of this machine: our own leases, and the neighbour table. read: a file's content, raises
    OSError. Raises Unusable where the table can't be had."""
    leases = {}
    try:
        leases[LEASES] = read(LEASES)
    except FileNotFoundError:
        pass
    except OSError as fault:
        raise unusable(
            "cannot-read",
            f"the leases can't be read: {(fault.strerror or 'unknown reason').lower()}",
            LEASES,
            "",
            "run it as root",
        ) from None
    try:
        said = programs.run(Run(NEIGHBOURS, fails=False)).out
    except EffectFailed as fault:
        raise unusable("neighbours-not-read", str(fault), " ".join(NEIGHBOURS), "",
                       "run it on the gateway, or give `--neighbours`") from None  # fmt: skip
    return Texts(leases, (" ".join(NEIGHBOURS), said))


def look(source: Source, texts: Texts, now: datetime) -> Seen:
    """Who was seen. now: aware. Raises Unusable for a charter or a neighbour table that is none."""
    plan = usable_plan(source).plan
    gathered = _Gathered(plan, now)
    unread: list[Diagnostic] = []
    for name, data in ((name, data) for name, data in texts.leases.items() if data.strip()):
        held = read_held(data, name, "dnsmasq-leases" if name == LEASES else None)
        unread += held.problems
        for lease in held.leases:
            if lease.hardware is not None and lease.active:
                gathered.lease(lease.hardware, lease.address, lease.name, lease.until)
    if texts.neighbours is not None:
        name, data = texts.neighbours
        table = _neighbours(name, data)
        unread += _odd(name, table.odd)
        for address, there in table.found.items():
            for one in there:
                if one.hardware is not None:
                    gathered.neighbour(address, one.hardware, one.device)
    found = gathered.strangers()
    return Seen(plan.site, found, len(gathered.met), tuple(unread))


def _neighbours(name: str, data: bytes) -> Table:
    """Whoever answered. Raises Unusable where it is not what `ip -j neigh` prints."""
    table = neighbour_table(data.decode("utf-8", "replace"))
    if table is None:
        raise unusable("neighbours-not-read", "this is not, or not the whole of, what it prints",
                       name, "", "keep what `ip -j neigh` prints on the gateway")  # fmt: skip
    return table


def _odd(name: str, count: int) -> Iterator[Diagnostic]:
    """That entries of the neighbour table were left out, if any were."""
    if count:
        told = f"{counted(count, 'entry', 'entries')} of another form than `ip -j neigh` prints"
        yield Diagnostic("entry-not-read", "warning", told, Span(name, 1, 1, 1, 1),
                         help="keep what `ip -j neigh` prints on the gateway")  # fmt: skip


@dataclass
class _Of:
    """What was gathered of one hardware address."""

    area: str | None = None
    device: str | None = None
    addresses: list[Address] = field(default_factory=list)
    named: str = ""
    last: datetime | None = None


class _Gathered:
    """Sightings, put together by hardware address."""

    def __init__(self, plan: Plan, now: datetime) -> None:
        self.now = now
        self.areas = {area.device: area.name for area in plan.areas}
        self.lines = {line.device for line in plan.lines} | {line.ethernet for line in plan.lines}
        self.lent = {name: area.lease for name, area in plan.charter.areas.items()}
        self.known = {number for one in plan.devices for number in one.hardware}
        unmarked = [one for one in plan.devices if not one.hardware]
        self.places = {place for d in unmarked for place in (*d.addresses4, *d.addresses6)}
        networks = [(area.v4, area.name) for area in plan.areas]
        six = [(subnet.network, area.name) for area in plan.areas for subnet in area.subnets6]
        self.where = Where([*networks, *six])
        self.found: dict[int, _Of] = {}
        self.met: set[object] = set()

    def lease(self, number: int, address: Address, named: str, until: datetime | None) -> None:
        one = self._of(number, address)
        if one is None:
            return
        one.area = one.area or self.where.of(address)
        one.named = named or one.named
        lent = self.lent.get(one.area or "")
        if until is not None and lent is not None:
            renewed = until - timedelta(seconds=lent)
            if renewed <= self.now:
                one.last = max(renewed, one.last or renewed)

    def neighbour(self, address: Address, number: int, device: str) -> None:
        if device in self.lines:
            return
        one = self._of(number, address)
        if one is not None:
            one.device = device
            one.area = self.areas.get(device)

    def _of(self, number: int, address: Address) -> _Of | None:
        """Nobody where the charter names it, or where nothing is told that can be a device."""
        if number == 0 or is_group(number):
            return None
        if number in self.known or address in self.places:
            self.met.add(number if number in self.known else address)
            return None
        one = self.found.setdefault(number, _Of())
        if address not in one.addresses:
            one.addresses.append(address)
        return one

    def strangers(self) -> tuple[Stranger, ...]:
        """By area in the charter's order, then by hardware address; IPv4 addresses first."""
        order = {name: n for n, name in enumerate(self.lent)}
        found = (
            Stranger(
                number, one.area, one.device, tuple(_sorted(one.addresses)), one.named,
                vendor(number), one.last,
            )
            for number, one in self.found.items()
        )  # fmt: skip
        return tuple(sorted(found, key=lambda s: (order.get(s.area or "", len(order)), s.hardware)))


def _sorted(addresses: Iterable[Address]) -> list[Address]:
    return sorted(addresses, key=lambda a: (a.version, int(a)))


# --- naming one ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Named:
    """A charter with one more device. texts: its files; before: as they were."""

    device: Device
    texts: Mapping[str, str]
    before: Mapping[str, str]
    written: bool = False

    def as_json(self) -> dict[str, Any]:
        """As docs/reference/json.md has it."""
        one = self.device
        return {
            "ok": True,
            "added": {
                "name": one.name,
                "area": one.area,
                "hardware": [hardware_text(number) for number in one.hardware],
                "lasting": one.lasting,
                "barred": one.barred,
            },
            "may_change": any(map(may_change, one.hardware)),
            "files": dict(self.texts),
            "written": self.written,
        }

    def changed(self) -> Mapping[str, str]:
        """The files that are other now."""
        return {name: text for name, text in self.texts.items() if text != self.before[name]}

    def lines(self) -> Iterator[str]:
        """The difference, and what does not hold for sure."""
        for name, text in self.changed().items():
            old = self.before[name].splitlines()
            yield from unified_diff(old, text.splitlines(), name, name, lineterm="", n=1)
        if any(map(may_change, self.device.hardware)):
            yield f"mind: {hardware_text(self.device.hardware[0])} {DRAWN}"


@dataclass(frozen=True, slots=True)
class Wish:
    """A device to be named, as it was typed. area: None for the one in which it was seen."""

    hardware: str
    name: str
    area: str | None = None
    lasting: bool = False
    barred: bool = False


def name_one(source: Source, wish: Wish, strangers: Sequence[Stranger]) -> Named:
    """The charter with one more device, all the rest of its text as it was. Raises Unusable for a
    hardware address or a name that can't be, that is there already, or where no area is known."""
    charter, reading = understood(source)
    number, name = _typed(hardware, wish.hardware, "--add"), _typed(thing, wish.name, "--as")
    for other in charter.devices.values():
        if number in other.hardware:
            raise unusable("hardware-twice", f"{other.name} has this address already", "--add",
                           wish.hardware, "it is named; nothing is to be added")  # fmt: skip
    area = _area_for(charter, wish, number, strangers)
    device = Device(
        name, area, (number,), wish.lasting, (), wish.barred,
        roams=False, exempt=False, contact=None, because=None,
    )  # fmt: skip
    texts = added(reading.texts, source.name, "devices", _entry(device))
    devices = {**charter.devices, name: device}
    compared(source, texts, replace(charter, devices=devices))
    return Named(device, texts, reading.texts)


def _typed(parse: Any, text: str, option: str) -> Any:
    try:
        return parse(text)
    except Wrong as wrong:
        raise unusable(wrong.id, wrong.message, option, text, wrong.help) from None


def _area_for(charter: Charter, wish: Wish, number: int, strangers: Sequence[Stranger]) -> str:
    if wish.area is not None:
        if wish.area not in charter.areas:
            near = suggest(wish.area, charter.areas)
            raise unusable("area-unknown", f"there is no area {quoted(wish.area)}", "--area",
                           wish.area, f"write {near}" if near else
                           f"name one of {listed(charter.areas)}")  # fmt: skip
        return wish.area
    here = next((one.area for one in strangers if one.hardware == number), None)
    if here is None:
        raise unusable("device-not-seen", "in which area it is at home can't be told: it was not"
                       " seen in one", "--add", wish.hardware, "say `--area`")  # fmt: skip
    return here


def _entry(device: Device) -> str:
    """One line of YAML."""
    said = [f"area: {quote(device.area, inside=True)}"]
    said.append(f"hardware: {hardware_text(device.hardware[0])}")
    said += ["address: lasting"] if device.lasting else []
    said += ["barred: true"] if device.barred else []
    return f"{quote(device.name, inside=True)}: {{{', '.join(said)}}}"
