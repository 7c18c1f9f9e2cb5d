"""Who else sets network devices up, read from the files that say so. Nothing is ever changed there.

After the manual pages interfaces(5), systemd.network(5), systemd.syntax(7) and
NetworkManager.conf(5). Files are hostile: what can't be understood is left out.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase

from netcharter.rollout.preparing.asking import INTERFACES, NETWORKD, NETWORKD_CONF, OWN_NETWORK
from netcharter.rollout.preparing.shapes import How, Managed, NetDevice

CLIENTS = frozenset({"dhclient", "dhcpcd", "udhcpc"})
OURS = b"/netcharter-prefix-"  # units of clients that ask for prefixes, and for no address
_TAKES_IN = re.compile(r"(bridge|bond)[_-](ports|slaves)|slaves")
_YES = frozenset({"yes", "true", "on", "1", "y", "t"})
_NO = frozenset({"no", "false", "off", "0"})
Texts = Mapping[str, str]


def matching(texts: Texts, patterns: Collection[str]) -> dict[str, str]:
    """The files that these patterns mean; a `*` does not reach into folders."""
    return {
        path: text
        for path, text in sorted(texts.items())
        if any(path.count("/") == p.count("/") and fnmatchcase(path, p) for p in patterns)
    }


# --- ifupdown ------------------------------------------------------------------------------------


def ifupdown(texts: Texts, devices: Collection[str]) -> tuple[Managed, ...]:
    """What interfaces(5) files say of these devices."""
    alone: list[str] = []
    said: list[tuple[str, How, str]] = []
    for path, text in matching(texts, INTERFACES).items():
        for number, words in _joined(text):
            where = f"{path}, line {number}"
            if words[0] == "auto" or words[0].startswith("allow-"):
                alone += words[1:]
            elif words[0] == "iface" and len(words) > 1:
                said.append((words[1], _method(words), where))
            elif _TAKES_IN.fullmatch(words[0]):
                said += [(word, "within another device", where) for word in words[1:]]
    return tuple(
        Managed("ifupdown", device, how, where, any(_named(device, name) for name in alone))
        for name, how, where in said
        for device in devices
        if _named(device, name)
    )


def _joined(text: str) -> Iterator[tuple[int, list[str]]]:
    """Lines by words, those that end in a backslash with the next; with the first one's number."""
    held, first = "", 0
    for number, line in enumerate(text.splitlines(), 1):
        first = first if held else number
        held += line
        if held.endswith("\\"):
            held = held[:-1] + " "
            continue
        words = held.split()
        held = ""
        if words and not words[0].startswith("#"):
            yield first, words


def _named(device: str, name: str) -> bool:
    """A pattern begins with a slash (`auto /eth*`)."""
    return fnmatchcase(device, name[1:].split("/")[0]) if name.startswith("/") else device == name


def _method(words: list[str]) -> How:
    method = words[3] if len(words) > 3 else ""
    if method in ("dhcp", "auto"):
        return "dhcp"
    if method in ("static", "manual"):
        return "static" if method == "static" else "manual"
    return "unknown"


# --- systemd-networkd ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Section:
    name: str
    values: Mapping[str, str]


def _sections(text: str) -> list[_Section]:
    """Sections of `key=value` lines; an assignment to a key again adds to it with a space."""
    found: list[_Section] = []
    values: dict[str, str] = {}
    for _, words in _joined(text):
        line = " ".join(words)
        if line.startswith("[") and line.endswith("]"):
            values = {}
            found.append(_Section(line[1:-1], values))
        elif "=" in line and not line.startswith((";", "#")):
            key, _, value = line.partition("=")
            values[key.strip()] = f"{values.get(key.strip(), '')} {value.strip()}".strip()
    return found


def networkd(texts: Texts, devices: Mapping[str, NetDevice]) -> tuple[Managed, ...]:
    """What the first file that fits says of each device; files of one name hide each other."""
    files: dict[str, tuple[str, list[_Section]]] = {}
    for pattern in NETWORKD:
        for path, text in matching(texts, (pattern,)).items():
            files.setdefault(path.rpartition("/")[2], (path, _sections(text)))
    found = []
    for device in devices.values():
        for _, (path, sections) in sorted(files.items()):
            fits = _fits(sections, device)
            if fits is not False:
                how: How = _networkd_how(sections) if fits else "unknown"
                found.append(Managed("systemd-networkd", device.name, how, path))
                break
    return tuple(found)


def _fits(sections: list[_Section], device: NetDevice) -> bool | None:
    """Whether a file is about a device; None where that depends on what is not known here."""
    matches = [one.values for one in sections if one.name == "Match"]
    if not matches or not any(matches):
        return False
    sure = True
    for key, value in (pair for one in matches for pair in one.items()):
        if key == "Name":
            if not _listed(value.split(), device.name):
                return False
        elif key in ("MACAddress", "PermanentMACAddress"):
            if device.hardware.lower() not in value.lower().replace("-", ":").split():
                return False
        elif key == "Type" and value == "ether":
            sure = sure and device.real
        else:
            sure = False
    return True if sure else None


def _listed(patterns: list[str], name: str) -> bool:
    """A list that begins with `!` means all others."""
    turned = bool(patterns) and patterns[0].startswith("!")
    plain = [pattern.removeprefix("!") for pattern in patterns]
    return any(fnmatchcase(name, pattern) for pattern in plain) != turned


def _networkd_how(sections: list[_Section]) -> How:
    values = {(one.name, key): v for one in sections for key, v in one.values.items()}
    if values.get(("Link", "Unmanaged"), "").lower() in _YES:
        return "unmanaged"
    if any(("Network", key) in values for key in ("Bridge", "Bond")):
        return "within another device"
    if values.get(("Network", "DHCP"), "no").lower() in (*_YES, "ipv4", "ipv6"):
        return "dhcp"
    if ("Network", "Address") in values or ("Address", "Address") in values:
        return "static"
    return "unknown"


def keeps_rules(texts: Texts) -> bool:
    """Whether systemd-networkd is told to leave routes and rules alone that it did not make. If not
    it takes them away when it starts (networkd.conf(5))."""
    said: dict[str, str] = {}
    for pattern in NETWORKD_CONF:
        for text in matching(texts, (pattern,)).values():
            for one in _sections(text):
                said |= one.values if one.name == "Network" else {}
    keys = ("ManageForeignRoutingPolicyRules", "ManageForeignRoutes")
    return all(said.get(key, "yes").lower() in _NO for key in keys)


# --- NetworkManager ------------------------------------------------------------------------------


def network_manager(
    texts: Texts, devices: Mapping[str, NetDevice], by_ifupdown: Collection[str]
) -> tuple[Managed, ...]:
    """What NetworkManager has in hand: every real device that it is not told to leave alone.

    by_ifupdown: devices that interfaces(5) names, which Debian's settings leave alone.
    """
    listed: list[str] = []
    matched: list[str] = []
    profiles: dict[str, tuple[str, How]] = {}
    for path, text in sorted(texts.items()):
        if not path.startswith("/etc/NetworkManager/"):
            continue
        sections = _sections(text)
        if "/system-connections/" in path:
            profiles |= _profile(path, sections)
            continue
        for one in sections:
            if "unmanaged-devices" in one.values:  # it replaces what came before, `+=` adds to it
                listed = _patterns(one, "unmanaged-devices")
            listed += _patterns(one, "unmanaged-devices+")
            if one.name.startswith("device") and one.values.get("managed", "").lower() in _NO:
                matched += _patterns(one, "match-device")
    left = [*listed, *matched]
    found = []
    for device in devices.values():
        if device.kind == "loopback" or device.name in by_ifupdown or _left(left, device):
            continue
        where, how = profiles.get(device.name, ("/etc/NetworkManager", "unknown"))
        if device.real or device.name in profiles:
            found.append(Managed("NetworkManager", device.name, how, where))
    return tuple(found)


def _patterns(section: _Section, key: str) -> list[str]:
    return [one for one in re.split(r"[;,\s]+", section.values.get(key, "")) if one]


def _profile(path: str, sections: list[_Section]) -> dict[str, tuple[str, How]]:
    values = {(one.name, key): v for one in sections for key, v in one.values.items()}
    name = values.get(("connection", "interface-name"))
    method = values.get(("ipv4", "method"), "auto")
    how: How = "dhcp" if method == "auto" else "static" if method == "manual" else "unknown"
    return {name: (path, how)} if name else {}


def _left(patterns: list[str], device: NetDevice) -> bool:
    if any(pattern.startswith("except:") for pattern in patterns):
        return False  # then it depends on more than is read here
    for pattern in patterns:
        kind, _, value = pattern.partition(":")
        if pattern == "*" or (kind == "interface-name" and fnmatchcase(device.name, value)):
            return True
        if kind == "mac" and value.lower() == device.hardware.lower():
            return True
    return False


# --- processes -----------------------------------------------------------------------------------


def processes(
    files: Mapping[str, bytes], links: Mapping[str, str] = {}
) -> list[tuple[str, list[str]]]:
    """Process and its words, from /proc/*/cmdline (proc(5): words end with a NUL).

    Not those of our own units that ask for prefixes: a cgroup has the unit's name, systemd.unit(5);
    and not those that are known to be in another network, whose devices may have the same names.
    """
    here = links.get(OWN_NETWORK)
    found = []
    for path, data in sorted(files.items()):
        if path.startswith("/proc/") and path.endswith("/cmdline"):
            folder = path.removesuffix("cmdline")
            if OURS in files.get(f"{folder}cgroup", b""):
                continue
            if here is not None and links.get(f"{folder}ns/net", here) != here:
                continue
            words = data.decode("utf-8", "replace").split("\0")
            found.append((path.split("/")[2], words))
    return found


def program(words: list[str]) -> str:
    """The name of a program; it may have put more into its first word."""
    first = words[0].split(" ")[0].rstrip(":") if words else ""
    return first.rpartition("/")[2]


def clients(running: list[tuple[str, list[str]]], devices: Collection[str]) -> tuple[Managed, ...]:
    """DHCP clients that run; one without any device among its words looks after all."""
    found = []
    for pid, words in running:
        name = program(words)
        if name in CLIENTS:
            named = [one for one in devices if one in words[1:]] or list(devices)
            where = f"process {pid} ({name})"
            found += [Managed("a DHCP client", one, "dhcp", where) for one in named]
    return tuple(found)
