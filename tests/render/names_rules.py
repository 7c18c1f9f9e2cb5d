"""Names rules at random, as text of a charter, with names that meet each other often."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

LABELS = ("a", "b", "c-d", "_e", "xn--bcher-kva")
HOURS = "hours: {lessons: {weekly: {mon-fri: ['08:30-15:30']}}, nights: {weekly: {daily: ['21:00-06:00']}}}\n"
LISTS = ("games", "far")


def random_names_rules(
    random: Random, areas: Sequence[str], devices: Sequence[str], most: int = 8
) -> str:
    """The parts `hours`, `lists` and `names`; with a list that nobody has told."""

    def name(least: int = 1) -> str:
        labels = random.choices(LABELS, k=random.randint(least, 3))
        return ".".join([*labels, random.choice(("example", "example.org"))])

    def several(kind: Sequence[str]) -> str:
        return f"[{', '.join(dict.fromkeys(random.choices(kind, k=random.randint(1, 2))))}]"

    lines = [
        f"lists: {{games: {{entries: [{', '.join({name() for _ in range(6)})}], topic: play}},"
    ]
    lines.append("  far: {from: 'https://lists.example.org/far', topic: play}}")
    lines.append("names:")
    for _ in range(random.randint(3, most)):
        who = random.choice(("anyone", several(areas), several([*areas, *devices])))
        action = random.choice(("answer", "withhold", "withhold", "rewrite"))
        terms = (name(), name(), name(), *LISTS, "play", "anything")
        what = name() if action == "rewrite" else several([random.choice(terms), name()])
        said = f"{action}: {what}, for: {who}"
        if action == "rewrite":
            said += f", to: {random.choice((name(), f'{random.choice(devices)}.home.arpa'))}"
        if random.random() < 0.4:
            said += f", during: {random.choice(('lessons', 'nights'))}"
        if random.random() < 0.2:
            said += f", until: 20{random.randint(20, 40)}-06-30"
        elif action == "answer" and "during" not in said and random.random() < 0.3:
            said += ", emergency: true"
        lines.append(f"  - {{{said}}}")
    return HOURS + "\n".join(lines) + "\n"
