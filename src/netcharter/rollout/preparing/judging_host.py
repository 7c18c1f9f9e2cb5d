"""The machine apart from its network devices: packages, rules of others, kernel, room, clock."""

from __future__ import annotations

from collections.abc import Iterator

from netcharter.diagnostics.escape import terminal
from netcharter.rollout.observe import OURS, WATCHING
from netcharter.rollout.preparing.asking import HELPFUL, PACKAGES
from netcharter.rollout.preparing.kernel import needed
from netcharter.rollout.preparing.shapes import Facts, Found, Unit, Wanted

STEWARD_BYTES = 120_000_000  # what the steward may take at most
CHRONY = "chrony"  # Debian's package
SLACK = 64 * 1024  # bytes on the disk per version, for folders and the history
OLDEST_KERNEL, OLDEST_NFT = (6, 1), (1, 0, 6)  # of Debian 12, from memory
TRIED_NFT = (1, 0, 6)  # with which this was tried


def host_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of the machine."""
    yield from _packages(wanted, facts)
    yield from _rules_of_others(facts)
    yield from _kernel(wanted, facts)
    yield from _versions(facts)
    yield from _room(wanted, facts)
    yield from _clock(wanted, facts)
    yield Found(
        "console-at-hand",
        "note",
        "a mistake can cut the way off by which you are connected",
        "have a screen and keyboard, or the serial console, at this machine and try it before you"
        " enact",
    )


def missing_packages(wanted: Wanted, facts: Facts) -> tuple[str, ...]:
    """The packages that are to be installed, helpful ones among them; none if that is unknown."""
    if facts.packages is None:
        return ()
    every = {**PACKAGES, **HELPFUL, **wanted.packages}
    return tuple(sorted(set(every) - facts.packages.keys()))


def _packages(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    if facts.packages is None:
        yield Found("packages-unknown", "warning", "which packages are installed is not known",
                    f"see to it that {', '.join(sorted({**PACKAGES, **wanted.packages}))} are")  # fmt: skip
        return
    every = {**PACKAGES, **HELPFUL, **wanted.packages}
    for name in missing_packages(wanted, facts):
        yield Found(
            "package-missing",
            "warning" if name in HELPFUL else "error",
            f"the package {name} is not installed; it {every[name]}",
            f"apt-get install {name}",
            name,
        )


def _rules_of_others(facts: Facts) -> Iterator[Found]:
    if facts.tables is None:
        yield Found("rules-unknown", "warning", "which rules are loaded is not known",
                    "install nftables, look with `nft list ruleset`, and prepare again")  # fmt: skip
    for family, name in facts.tables or ():
        if (family, name) not in (OURS, WATCHING):
            table = f"{terminal(family)} {terminal(name)}"
            yield Found(
                "table-of-another",
                "warning",
                f"the table {table} of nftables is loaded: what it refuses stays refused,"
                " whatever the charter says",
                "find out who loads it and stop that; or say when enacting that it is to be set"
                " aside",
                table,
            )
    for unit in facts.units:
        if unit.enabled is not False:
            yield _unit(unit)


def _unit(unit: Unit) -> Found:
    name, where = terminal(unit.name), terminal(unit.where)
    sure = "is started at boot" if unit.enabled else "may be started at boot"
    empties = ", and empties the whole ruleset, ours too, when it is started or stopped"
    return Found(
        "unit-loads-rules",
        "warning",
        f"{name} {sure} and loads rules of its own{empties if unit.empties else ''} ({where})",
        f"systemctl disable {name}; stop it before you enact, not afterwards",
        name,
    )


def _kernel(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    if facts.other_kernels:
        yield Found(
            "kernel-replaced",
            "error",
            f"of the running kernel {terminal(facts.kernel)} no modules are there, only of"
            f" {terminal(', '.join(facts.other_kernels))}",
            "start the machine anew, so that it runs the kernel that is installed",
        )
        return
    unknown = []
    vlans = any(use.vlan is not None for use in wanted.uses)
    for one in needed(wanted.ruleset, vlans, any(use.pppoe is not None for use in wanted.uses)):
        can = facts.features.get(one.words)
        if can is False:
            yield Found(
                "kernel-lacks",
                "error",
                f"this kernel can't do what the kit needs: {one.words} (CONFIG_{one.option})",
                "use a kernel of Debian's own: apt-get install linux-image-amd64, or that of your"
                " machine's kind",
                one.words,
            )
        elif can is None:
            unknown.append(one.words)
    if unknown:
        yield Found(
            "kernel-unknown",
            "note",
            f"whether the kernel can do this is not known: {', '.join(unknown)}",
            "the kit is tried before anything is changed, and that will tell",
        )


def _versions(facts: Facts) -> Iterator[Found]:
    kernel = _numbers(facts.kernel)
    if kernel and kernel[:2] < OLDEST_KERNEL:
        yield Found("kernel-old", "warning",
                    f"kernel {terminal(facts.kernel)} is older than any this was made for",
                    "use Debian 12 with its own kernel, 6.1 or later")  # fmt: skip
    if facts.nft is None or facts.nft == TRIED_NFT:
        return
    told = ".".join(map(str, facts.nft))
    if facts.nft < OLDEST_NFT:
        yield Found("nft-old", "warning", f"nft {told} is older than any this was made for",
                    "use that of Debian 12, 1.0.6")  # fmt: skip
    else:
        yield Found("nft-untried", "note", f"with nft {told} this was not tried, but with 1.0.6",
                    "rehearse on this machine before you enact")  # fmt: skip


def _numbers(release: str) -> tuple[int, ...]:
    words = release.split("-")[0].split(".")
    return tuple(int(one) for one in words[:3] if one.isascii() and one.isdigit() and len(one) < 6)


def _room(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    memory, disk = needs(wanted)
    for name, need, there in (("memory", memory, facts.memory), ("disk", disk, facts.disk)):
        if there is None:
            yield Found("room-unknown", "note",
                        f"how much {name} is free is not known; {_mega(need)} are needed",
                        "look yourself", name)  # fmt: skip
        elif there < need:
            yield Found("room-short", "error",
                        f"of {name} {_mega(there)} are free, and {_mega(need)} are needed",
                        "end or remove what is not needed here", name)  # fmt: skip


def needs(wanted: Wanted) -> tuple[int, int]:
    """Bytes of memory and of disk: the steward and one kit; and every version that is kept."""
    return STEWARD_BYTES + wanted.kit_bytes, wanted.versions * (wanted.kit_bytes + SLACK)


def _mega(count: int) -> str:
    return f"{count / 1e6:.1f} MB"


def _clock(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    if facts.clock:
        return
    why = "; hours and `until` dates depend on it" if wanted.timed else ""
    if facts.clock is None:
        yield Found("clock-unknown", "note", f"whether the clock is synchronised is not known{why}",
                    "look with `timedatectl`")  # fmt: skip
    else:
        yield Found(
            "clock-off", "warning", f"the clock is not synchronised{why}", _clock_help(wanted)
        )


def _clock_help(wanted: Wanted) -> str:
    """Debian takes chrony away where another program for the time is installed (both are a
    `time-daemon`), and the kit's own clock needs it."""
    if CHRONY in wanted.packages:
        return (
            "the kit asks the charter's time servers once it is in place; until then timedatectl"
            " set-ntp true"
        )
    return "timedatectl set-ntp true; if it does not help, apt-get install systemd-timesyncd"
