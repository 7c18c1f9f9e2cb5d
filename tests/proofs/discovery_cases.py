"""Findings about what hosts find in other areas: where each points, what it spares."""

from __future__ import annotations

from tests.proofs.finding_case import Case, rules

PRINTS = rules("let: home, reach: yard, with: tcp/631")
ASKED = "{let: home, find: printing, in: yard}"

DISCOVERY_CASES = (
    Case(
        "printers that nobody may reach",
        "found-out-of-reach",
        "warning",
        {"discovery": f"\n  - ⟦{ASKED}⟧\n", **rules("let: home, reach: yard, with: tcp/632")},
        {"discovery": f"\n  - {ASKED}\n", **PRINTS},
        ("hosts of home find printing in yard, and no rule lets them reach it",),
    ),
    Case(
        "a type of which no port is known",
        "found-out-of-reach",
        "warning",
        {"discovery": "\n  - ⟦{let: home, find: _lights._udp, in: yard}⟧\n", **PRINTS},
        {
            "discovery": "\n  - {let: home, find: _lights._udp, in: yard}\n",
            **rules("let: home, reach: yard, with: udp/9"),
        },
        ("hosts of home find _lights._udp in yard",),
    ),
    Case(
        "devices of those who sign in",
        "devices-are-seen",
        "warning",
        {"discovery": "\n  - ⟦{let: home, find: casting, in: club}⟧\n"},
        {"discovery": "\n  - {let: home, find: casting, in: yard}\n"},
        ("devices in club that offer casting are shown by name to everybody in home", "sign in"),
        see=((8, "the area"),),
    ),
    Case(
        "what strangers are told before they sign in",
        "found-before-sign-in",
        "note",
        {"discovery": "\n  - ⟦{let: club, find: printing, in: yard}⟧\n"},
        {"discovery": "\n  - {let: home, find: printing, in: yard}\n"},
        ("hosts of club are told what there is in yard before anybody has signed in",),
        see=((8, "here one signs in"),),
    ),
)
