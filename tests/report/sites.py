"""Sites to draw and judge: the demo, one area, twenty areas, hostile words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.proofs import Proof, prove
from netcharter.report.page import proof_page

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
EXAMPLES = Path(__file__).parents[2] / "examples" / "tarn-hollow"

HOSTILE = (
    "</title></style></script><script>document.title='ran'</script>",
    "\"'><img src=x onerror=\"document.title='ran'\">",
    "'; alert(1); //",
    "{{ 7 * 191 }}{% raw %}",
    "$(touch ran) `touch ran`",
    "\u202egnirts desrever\u202c \u200b\u2066",
    "\u05e9\u05dc\u05d5\u05dd 1 \u0645\u0631\u062d\u0628\u0627",
    "\U0001f468\u200d\U0001f469\u200d\U0001f467 \U0001f3d5\ufe0f",
    "javascript:alert(1)",
    "]]>--><!-- &amp; &#60;b&#62;",
)

ONE = """charter: 1
site: {name: Hut, timezone: Europe/London, managed-from: [desk]}
lines:
  dsl: {device: eth0, rate: {down: 40 Mbit/s, up: 8 Mbit/s}, address: automatic}
areas:
  home: {device: eth1, hosts: 12}
devices:
  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}
rules:
  - {let: home, reach: internet, with: [http, https, ssh], because: daily work}
"""

OPEN = (
    ONE.replace("address: automatic", "address: [203.0.113.10/29, 2001:db8:1::2/64],"
                " next-hop: [203.0.113.9, 2001:db8:1::1], prefix: 2001:db8:2::/48")
    + """  - {let: internet, reach: desk, with: ssh, because: forgotten}
offers:
  - {offer: https, on: dsl, to: desk, at: 8443}
"""
)  # fmt: skip


def twenty() -> str:
    """Twenty areas, six lines, seven offers, promises broken in every direction."""
    long = "bunkrooms-north-wing-first-floor-and-the-annexe-behind-it"
    names = ["office", "instructors", long, "tills", *(f"hall-{n}" for n in range(5, 21))]
    rate = "rate: {down: 40 Mbit/s, up: 8 Mbit/s}"
    out = ["charter: 1", "site:", "  name: A residential centre of many halls"]
    out += ["  timezone: Europe/London", "  managed-from: [device-1-1]", "lines:"]
    for n in range(6):
        place = f"address: 203.0.113.{8 * n + 2}/29, next-hop: 203.0.113.{8 * n + 1}"
        role = "main" if n == 0 else "standby"
        out.append(f"  line-{n + 1}: {{device: eth{n}, {rate}, {place}, role: {role}}}")
    out.append("areas:")
    for n, name in enumerate(names, 1):
        marks = ", sign-in: required, apart: true, strangers: refused" if n % 5 == 3 else ""
        out.append(f"  {name}: {{device: lan0, vlan: {100 + n}, hosts: 10{marks}}}")
    out.append("devices:")
    for n, name in enumerate(names, 1):
        for k in range(1, 15 if n == 1 else n % 4 + 2):
            hardware = f"02:00:00:aa:{n:02x}:{k:02x}"
            out.append(
                f"  device-{n}-{k}: {{area: {name}, hardware: {hardware}, address: lasting}}"
            )
    out.append("places:")
    out += [f"  place-number-{n}: {{prefixes: [198.51.100.{16 * n}/28]}}" for n in range(16)]
    out.append("rules:")
    out += [f"  - {{let: {name}, reach: internet, with: [http, https]}}" for name in names]
    out.append(f"  - {{let: {long}, reach: [office, hall-9, hall-20], with: ssh}}")
    out.append("exits:")
    out.append(
        f"  - {{from: [{long}, hall-9], reach: place-number-3, by: [line-2, line-5, line-1]}}"
    )
    out.append("  - {from: tills, by: line-3, or-else: refused, because: the bank asks for it}")
    out.append("offers:")
    for n in range(1, 8):
        out.append(
            f"  - {{offer: https, on: line-{n % 6 + 1}, to: device-{n * 2}-1, at: {8000 + n}}}"
        )
    out.append("promises:")
    for target in ("office", "hall-9", "hall-20", "internet", "gateway"):
        out.append(f"  - {{never: {long}, reach: {target}}}")
    out.append("  - {always: hall-7, reach: hall-8, with: https}")
    out.append("  - {never: hall-5, reach: internet}")
    out.append("  - {never: internet, reach: instructors}")
    return "\n".join(out) + "\n"


def crowd() -> str:
    """Eight promises broken by one area, two of them by one device, and offers beside them."""
    halls = [f"hall-{n}" for n in range(1, 7)]
    out = [
        "charter: 1",
        "site: {name: Crowd, timezone: Europe/London, managed-from: [desk]}",
        "lines:",
        "  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}",
        "areas:",
        "  yard: {device: lan0, hosts: 9}",
        *(f"  {name}: {{device: lan0, vlan: {n}, hosts: 9}}" for n, name in enumerate(halls, 1)),
        "devices:",
        "  desk: {area: yard, hardware: 02:00:00:aa:00:01, address: lasting}",
        "  bench: {area: yard, hardware: 02:00:00:aa:00:02, address: lasting}",
        "  till: {area: hall-1, hardware: 02:00:00:aa:00:03, address: lasting}",
        "rules:",
        f"  - {{let: yard, reach: [internet, gateway, {', '.join(halls)}], with: anything}}",
        "offers:",
        "  - {offer: https, on: dsl, to: till}",
        "  - {offer: ssh, on: dsl, to: till, at: 444}",
        "promises:",
        *(f"  - {{never: yard, reach: {name}}}" for name in ["internet", "gateway", *halls]),
        "  - {never: desk, reach: hall-1}",
        "  - {never: desk, reach: till}",
    ]
    return "\n".join(out) + "\n"


PLAIN = """charter: 1
site: {name: site-name, timezone: Europe/London, managed-from: [desk-name]}
lines:
  line-name: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  area-name: {device: eth1, hosts: 12, because: area-because}
  till-name: {device: eth2, hosts: 12, sign-in: required}
devices:
  desk-name: {area: area-name, hardware: 02:00:00:aa:00:01, address: lasting}
  bank-name: {area: till-name, hardware: 02:00:00:aa:00:02, address: lasting}
people:
  person-name: {groups: group-name}
groups:
  group-name: {because: because}
services:
  service-name: [tcp/8443]
places:
  place-name: {prefixes: [198.51.100.64/28]}
hours:
  hours-name: {weekly: {daily: "17:00-22:00"}}
rules:
  - {let: area-name, reach: place-name, with: service-name, during: hours-name, because: rule-because}
  - {let: group-name, reach: internet, with: [ssh, https], because: rule-because}
  - {let: person-name, reach: desk-name, with: ssh}
offers:
  - {offer: service-name, on: line-name, to: bank-name, because: offer-because}
promises:
  - {never: till-name, reach: area-name, because: promise-because}
"""
PLACEHOLDERS = tuple(
    f"{word}-name"
    for word in "site line area till desk bank person group service place hours".split()
) + ("area-because", "rule-because", "offer-because", "promise-because", "hostile.yaml")


def renamed(value: Any, names: Mapping[str, str]) -> Any:
    """A frozen value with strings exchanged, wherever in it they stand."""
    if isinstance(value, str):
        return names.get(value, value)
    if isinstance(value, tuple):
        return tuple(renamed(part, names) for part in value)
    if isinstance(value, Mapping):
        return {renamed(key, names): renamed(part, names) for key, part in value.items()}
    if is_dataclass(value) and not isinstance(value, type):
        made = {f.name: renamed(getattr(value, f.name), names) for f in fields(value) if f.init}
        return replace(value, **made)
    return value


@cache
def hostile_page(turn: int | None) -> str:
    """A page on which every name and reason is one of the hostile words, told apart by a number.

    No reader would let such names in; the page must not rely on that. Without a turn: the same
    page with harmless words.
    """
    reading = read(PLAIN, "hostile.yaml")
    assert reading.charter is not None, reading.diagnostics
    words = {
        name: f"{number} {'plain' if turn is None else HOSTILE[(number + turn) % len(HOSTILE)]}"
        for number, name in enumerate(PLACEHOLDERS)
    }
    proof = prove(make_plan(renamed(reading.charter, words)), NOW)
    text = PLAIN + "".join(f"# {word}\n" for word in HOSTILE)
    return proof_page(proof, {words["hostile.yaml"]: text}, NOW)


TEXTS: Mapping[str, Callable[[], str]] = {
    "one": lambda: ONE,
    "open": lambda: OPEN,
    "twenty": twenty,
    "crowd": crowd,
    "demo": lambda: (EXAMPLES / "charter.yaml").read_text(encoding="utf-8"),
    "draft": lambda: (EXAMPLES / "first-draft.yaml").read_text(encoding="utf-8"),
}


@cache
def judged(site: str) -> Proof:
    """The proof of one of the sites."""
    reading = read(TEXTS[site](), f"{site}.yaml")
    assert reading.charter is not None, reading.diagnostics
    return prove(make_plan(reading.charter), NOW)


@cache
def page(site: str) -> str:
    """The page of one of the sites."""
    return proof_page(judged(site), {f"{site}.yaml": TEXTS[site]()}, NOW)
