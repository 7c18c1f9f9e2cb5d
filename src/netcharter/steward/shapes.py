"""The values between duties and the loop: facts of the machine, effects, decisions.

Instants are aware datetimes in UTC.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Generic, Literal, TypeVar
from zoneinfo import ZoneInfo

from netcharter.plan.shapes import Hours
from netcharter.rollout.reading import Fields
from netcharter.steward.segments import Heard, Segment
from netcharter.steward.ways import Key, Seen, Ways

S = TypeVar("S")
Need = Literal[
    "schedule",
    "machine",
    "holds",
    "updates",
    "conversations",
    "lines",
    "prefixes",
    "addresses",
    "lists",
    "leads",
]
Severity = Literal["urgent", "warning", "note"]


# --- facts ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Clock:
    """The kernel's opinion of its clock (adjtimex(2)). error: seconds it may be wrong by."""

    synchronised: bool
    error: float = 0.0


@dataclass(frozen=True, slots=True)
class Timed:
    """A timed set. let: whether a decision that lets asks for it, so that it is filled while the
    condition is in force; else it is filled while it is not (`plan.labels.when_set`)."""

    set: str
    let: bool
    during: str | None
    until: date | None


@dataclass(frozen=True, slots=True)
class Led:
    """The sets of a place that is made of names, in one IP version: where these led lately, and the
    same since this was looked at last."""

    place: str
    set: str
    asked: str


@dataclass(frozen=True, slots=True)
class LineDue:
    """A line to watch. device: the kernel's; next_hops: addresses that ought to answer there;
    addresses: those it has, with their lengths; routes: IP version and table of each default route
    by it. automatic: it learns both, for at least one IP version."""

    name: str
    device: str
    next_hops: tuple[str, ...] = ()
    addresses: tuple[str, ...] = ()
    routes: tuple[tuple[int, str], ...] = ()
    automatic: bool = False


@dataclass(frozen=True, slots=True)
class Schedule:
    """What of a plan the steward works by. devices: elements of the timed sets, `lo` among them;
    version: of the kit that is in place, 0 where it has no number; names: times of names rules, by
    their keys."""

    site: str
    zone: ZoneInfo
    hours: Mapping[str, Hours]
    timed: tuple[Timed, ...]
    devices: tuple[str, ...]
    lines: tuple[LineDue, ...] = ()
    version: int = 0
    ways: Ways = field(default_factory=Ways)
    segments: tuple[Segment, ...] = ()
    names: tuple[Timed, ...] = ()
    led: tuple[Led, ...] = ()


@dataclass(frozen=True, slots=True)
class Disk:
    """A file system: bytes and places for files, free (for who is not root) and in all."""

    path: str
    free: int
    total: int
    free_files: int = 0
    total_files: int = 0  # 0: it does not count them


@dataclass(frozen=True, slots=True)
class Heat:
    """A sensor, in degrees Celsius. critical: where the machine would switch itself off."""

    name: str
    degrees: float
    critical: float | None = None


@dataclass(frozen=True, slots=True)
class Certificate:
    """A certificate's file. expires None: it can't be read, and `fault` says why."""

    path: str
    expires: datetime | None
    fault: str = ""


@dataclass(frozen=True, slots=True)
class LineFact:
    """carrier: None where the device is missing. answers: per next hop, whether it has answered
    when the kernel last asked for its hardware address (RFC 826, RFC 4861); None: not known yet.
    no_address, no_route: the addresses it lacks, and the IP versions without a default route; None:
    not known. watched: the duty `lines` tells of its device, carrier and routes."""

    name: str
    device: str
    carrier: bool | None
    answers: Mapping[str, bool | None] = field(default_factory=dict)
    no_address: tuple[str, ...] | None = ()
    no_route: tuple[int, ...] | None = ()
    watched: bool = False


@dataclass(frozen=True, slots=True)
class Machine:
    """How the machine is. memory: bytes that programs can still have, and in all."""

    disks: tuple[Disk, ...] = ()
    memory: tuple[int, int] = (0, 0)
    heat: tuple[Heat, ...] = ()
    certificates: tuple[Certificate, ...] = ()
    lines: tuple[LineFact, ...] = ()


@dataclass(frozen=True, slots=True)
class Agreement:
    """Whether the kernel does what the plan says. digest: of the difference, so that another one
    is told as another; summary: the difference in a sentence or two."""

    state: Literal["as planned", "otherwise", "nothing of ours", "not known"]
    digest: str = ""
    summary: str = ""


@dataclass(frozen=True, slots=True)
class Restart:
    """A restart of the machine that waits, and what would come back after it.

    required, packages: what the package manager left (Debian: /run/reboot-required and .pkgs).
    kept: the version that boot brings up, None for none; whole: whether its folder is there.
    boot_unit, steward_unit: whether they are started at boot.
    """

    required: bool
    packages: tuple[str, ...] = ()
    kept: int | None = None
    whole: bool = False
    boot_unit: bool = False
    steward_unit: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """That open conversations are to be decided again. number: counts the requests, 0 for none yet;
    hours: else the clock is not known, and what hours open is taken for closed."""

    number: int = 0
    at: datetime | None = None
    why: str = ""
    hours: bool = True


@dataclass(frozen=True, slots=True)
class Counted:
    """How many conversations were cut, were left since it can't be told, and go on."""

    cut: int = 0
    doubtful: int = 0
    kept: int = 0


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a request, by its number. at: when it was done; after: seconds since it was
    asked for."""

    number: int = 0
    at: datetime | None = None
    after: float = 0.0
    counted: Counted = Counted()


@dataclass(frozen=True, slots=True)
class Stands:
    """Which version stands, 0 for none of ours; decided: by which open conversations were decided
    again last, None where nothing tells; busy: somebody changes the machine or decides just now."""

    version: int = 0
    decided: int | None = None
    busy: bool = False

    @property
    def undecided(self) -> bool:
        """Whether another stands by now, as after an undo that nobody waited for."""
        known = self.decided is not None and not self.busy
        return known and self.version not in (0, self.decided)


@dataclass(frozen=True, slots=True)
class Conversations:
    """The last request, and the last one that was done."""

    asked: Asked = Asked()
    done: Done = Done()
    stands: Stands = Stands()

    @property
    def waits(self) -> bool:
        return self.asked.number > self.done.number


@dataclass(frozen=True, slots=True)
class Renumbering:
    """What came of taking over delegated prefixes. mark: of what, as in `Delegated`; state: as
    `netcharter renumber --json` has it, `busy` where somebody else was at work, or `not known`;
    refused: why what was delegated is not used; without: lines that have no prefix."""

    state: str
    text: str = ""
    refused: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    mark: str = ""
    at: datetime = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Delegated:
    """What providers delegate. mark: another one whenever that is, or what is kept; "" where no line of
    what is kept asks. done: what this steward had done last."""

    mark: str = ""
    done: Renumbering | None = None


@dataclass(frozen=True, slots=True)
class Refreshing:
    """What came of fetching lists. mark: as in `Published`; state: as `netcharter refresh --json` has
    it, `busy` where somebody else was at work, or `not known`; faults: why lists stay as they were; old:
    lists of which nothing good came for long."""

    state: str
    text: str = ""
    faults: tuple[str, ...] = ()
    old: tuple[str, ...] = ()
    mark: str = ""
    at: datetime = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Published:
    """Lists that others publish. mark: another one whenever something else is kept; "" where what is
    kept fetches none. done: what this steward had done last."""

    mark: str = ""
    done: Refreshing | None = None


@dataclass(frozen=True, slots=True)
class Leads:
    """Addresses by set, each with the seconds it has left there; and to which somebody is connected."""

    sets: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    connected: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Facts:
    """What a duty is told. Only what it needs is there.

    boot_id: of this boot; boot_seconds: since it, sleep included; addresses: who was heard in areas,
    None where nobody could be asked; leads: of places that are made of names, None as well.
    """

    clock: Clock
    boot_id: str = ""
    boot_seconds: float = 0.0
    schedule: Schedule | None = None
    machine: Machine = Machine()
    holds: Agreement | None = None
    updates: Restart = Restart(False)
    conversations: Conversations = Conversations()
    lines: Seen | None = None
    prefixes: Delegated = Delegated()
    addresses: tuple[Heard, ...] | None = None
    lists: Published = Published()
    leads: Leads | None = None


# --- effects -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fill:
    """A timed set holds just these devices until an instant, and nothing after it."""

    set: str
    devices: tuple[str, ...]
    until: datetime


@dataclass(frozen=True, slots=True)
class Hold:
    """All these sets at once: no packet sees some of them filled and others not yet."""

    fills: tuple[Fill, ...]


@dataclass(frozen=True, slots=True)
class NameTime:
    """A time of names rules, by its key: whether it holds, which is to be believed until an instant."""

    key: str
    holds: bool
    until: datetime


@dataclass(frozen=True, slots=True)
class TellNames:
    """Whoever answers names is told which times hold, and nothing of all others."""

    times: tuple[NameTime, ...]


@dataclass(frozen=True, slots=True)
class DecideAgain:
    """It is written down that open conversations are to be decided again. hours: as in `Asked`."""

    why: str
    hours: bool = True


@dataclass(frozen=True, slots=True)
class CutRefused:
    """Open conversations are decided again, and those that are refused now are cut."""

    asked: Asked


@dataclass(frozen=True, slots=True)
class Mend:
    """The plan is put in place again."""

    why: str


@dataclass(frozen=True, slots=True)
class Lead:
    """New conversations are led by all lines but those that are out."""

    out: frozenset[Key]


@dataclass(frozen=True, slots=True)
class Fade:
    """Hosts are led away from the IPv6 prefixes of these lines, and from no other's."""

    lines: frozenset[str]


@dataclass(frozen=True, slots=True)
class CutLine:
    """Conversations that left by a line are cut, so that what follows them takes another one, but for
    TCP from inside that is answered with a reset (`Reset`). Those that came in by it stay: they can't.
    network: addresses beyond the line that are the site's own."""

    line: str
    number: int
    family: int
    device: str
    network: str = ""


@dataclass(frozen=True, slots=True)
class CutFlows:
    """The conversations of a device on a line are cut that have a bit in their mark."""

    number: int
    source: str
    bit: int


@dataclass(frozen=True, slots=True)
class Stay:
    """Who stays on a line for now: sets with just these IPv4 addresses, for a minute."""

    sets: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class Reset:
    """Whoever speaks in a TCP conversation that left by one of these lines is answered with a reset, as
    long as the kernel is told again: sets with just these numbers."""

    sets: tuple[tuple[str, tuple[int, ...]], ...]


@dataclass(frozen=True, slots=True)
class Renumber:
    """What is delegated is taken over. mark: as in `Delegated`."""

    mark: str


@dataclass(frozen=True, slots=True)
class Refresh:
    """Lists that are due are fetched, and put to use. mark: as in `Published`."""

    mark: str


@dataclass(frozen=True, slots=True)
class Renewal:
    """Addresses of a place that get their whole time again, and those that go."""

    set: str
    asked: str
    renewed: tuple[str, ...]
    dropped: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Renew:
    """The sets of places that are made of names hold what is in use, and nothing else for long."""

    renewals: tuple[Renewal, ...]


Effect = (
    Renew
    | Renumber
    | Refresh
    | Hold
    | TellNames
    | DecideAgain
    | CutRefused
    | Mend
    | Lead
    | Fade
    | CutLine
    | CutFlows
    | Stay
    | Reset
)


@dataclass(frozen=True, slots=True)
class Report:
    """What a duty has to say about one matter, said anew at every decision.

    key: `duty/matter`; bad: whether an alarm is due; mark: what it is about, where another mark
    is another alarm; text: a sentence for people.
    """

    key: str
    bad: bool
    text: str
    severity: Severity = "warning"
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Decision(Generic[S]):
    """wake: when the duty is to be asked again. reports: on all matters it knows of just now; tells:
    what the status has of it. intent: the state that is written down before anything is done, from
    which whoever comes after a steward that is killed meanwhile does the rest; None: the one before
    will do."""

    state: S
    effects: tuple[Effect, ...]
    wake: datetime
    reports: tuple[Report, ...] = ()
    tells: tuple[Mapping[str, object], ...] = ()
    intent: S | None = None


@dataclass(frozen=True, slots=True)
class Duty(Generic[S]):
    """One duty. decide(state, facts, instant); limit: seconds that one turn may take.

    written, read: its state as a JSON object, and back; `read` raises StateBroken.
    """

    name: str
    about: str
    needs: frozenset[Need]
    begin: S
    decide: Callable[[S, Facts, datetime], Decision[S]]
    written: Callable[[S], Mapping[str, object]]
    read: Callable[[Fields], S]
    limit: float = 60.0
