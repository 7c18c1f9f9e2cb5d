"""What can be found about services that hosts find in other areas."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

DISCOVERY = {
    "found-out-of-reach": Entry(
        "services that are found and can't be reached",
        "Hosts of an area are told of services in another one, and no rule lets any of them reach one"
        " there, at the ports at which such services are usually met.",
        "People see a printer and can't print.",
        "Write a rule for these services, or leave the area out.",
    ),
    "devices-are-seen": Entry(
        "devices of people are shown",
        "What is found lies in an area whose hosts are kept apart, or in which people sign in. What"
        " devices tell of themselves, often the name of somebody, is shown to others.",
        "Guests and minors need not know that they are seen, and by whom.",
        "Put what is to be found into an area of its own. Else tell people; see to local law and"
        " practice.",
    ),
    "found-before-sign-in": Entry(
        "services are shown before sign-in",
        "In an area with sign-in, hosts are told what they may find in another one whether anybody has"
        " signed in or not.",
        "Who is only within reach of the radio sees what things there are, and how they are called.",
        "Be sure that everybody may know; what is reached is still a matter of rules.",
    ),
}
