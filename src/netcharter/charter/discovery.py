"""What is found across areas: whether its sentences make sense."""

from __future__ import annotations

from netcharter.charter.checks import KINDS, at, kind_of
from netcharter.charter.sentences import REACH_WORDS, WHO_WORDS, items, unknown_term
from netcharter.charter.shapes import Fields, Path, Walk

MOST = 60  # each is a sentence that somebody has to read


def check_discovery(walk: Walk, doc: Fields) -> None:
    """All sentences about what is found."""
    said = list(items(doc, "discovery"))
    if len(said) > MOST:
        walk.tell("too-many-rules", walk.where(("discovery", MOST)),
                  f"this is discovery number {MOST + 1}; a charter has at most {MOST}",
                  "name several areas and kinds in one")  # fmt: skip
        return
    for path, one in said:
        who, where = one.get("let", ()), one.get("in", ())
        _areas(walk, doc, (*path, "let"), who)
        _areas(walk, doc, (*path, "in"), where)
        for i, name in enumerate(where):
            if name in who:
                walk.tell("discovery-at-home", at(walk, (*path, "in"), i),
                          f"hosts of `{name}` find what is in `{name}` by themselves",
                          "name another area")  # fmt: skip


def _areas(walk: Walk, doc: Fields, path: Path, names: tuple[str, ...]) -> None:
    """Areas alone: who asks is heard, and who is answered hears, in a whole area."""
    for i, name in enumerate(names):
        kind, span = kind_of(doc, name), at(walk, path, i)
        if kind == "areas":
            continue
        if kind is None and name not in {*WHO_WORDS, *REACH_WORDS}:
            unknown_term(walk, doc, span, name, (), ("areas",))
        else:
            what = f"`{name}` is no area:" if kind is None else f"`{name}` is {KINDS[kind]}:"
            walk.tell("discovery-term", span, f"{what} what is found is asked for and answered in "
                      "whole areas", "name areas")  # fmt: skip
