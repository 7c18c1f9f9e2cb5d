"""From the text of a charter to its plan, or to what is wrong with the text."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from ipaddress import IPv6Network
from typing import Any

from netcharter.charter.model import Charter
from netcharter.charter.read import Loader, Unreadable, read
from netcharter.diagnostics import Diagnostic, Span
from netcharter.diagnostics.jsonshape import as_json
from netcharter.plan import make_plan
from netcharter.plan.hostile import used
from netcharter.plan.listed import Listed
from netcharter.plan.names.rules import used as used_of_names
from netcharter.plan.shapes import Plan
from netcharter.proofs.certify import NoAnswer
from netcharter.tasks.keeping import Kept

__all__ = [
    "Loaded",
    "Source",
    "Unreadable",
    "Unusable",
    "answerable",
    "included",
    "load_plan",
    "unusable",
    "usable_plan",
]


@dataclass(frozen=True, slots=True)
class Source:
    """A charter as it was found: what it is called, its text, and how to get what it includes.

    kept: what the areas of an earlier kit have and keep, and what was delegated when it was made.
    learnt: the prefixes that providers have delegated since, by line, None: none any more; stand_ins:
    whether others stand in for those that nobody has told yet, as they do not on a machine. lists:
    what lists hold that are fetched, by name, where that is not put aside with it; None:
    no list is read, since nobody asks what they decide.
    """

    name: str
    text: bytes
    load: Loader | None = None
    kept: Kept | None = None
    learnt: Mapping[str, IPv6Network | None] = field(default_factory=dict)
    stand_ins: bool = True
    lists: Mapping[str, Listed] | None = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Loaded:
    """A plan, what was said while reading its charter, and the texts to underline."""

    plan: Plan
    diagnostics: tuple[Diagnostic, ...]
    texts: Mapping[str, str]


class Unusable(Exception):
    """The input can't be used (exit 2). Carries what to tell, and the texts to underline."""

    def __init__(self, diagnostics: tuple[Diagnostic, ...], texts: Mapping[str, str]) -> None:
        super().__init__("; ".join(d.message for d in diagnostics))
        self.diagnostics = diagnostics
        self.texts = texts

    def as_json(self) -> dict[str, Any]:
        """The shape that every command prints where its input can't be used."""
        return {"ok": False, "diagnostics": [as_json(d) for d in self.diagnostics]}


def unusable(ident: str, message: str, asked: str, text: str, instead: str | None) -> Unusable:
    """What is wrong with a command's argument, underlined as if it were a file's line."""
    span = Span(asked, 1, 1, 1, len(text) + 1)
    return Unusable((Diagnostic(ident, "error", message, span, help=instead),), {asked: text})


def load_plan(source: Source) -> Loaded:
    """Read and plan. Raises Unusable where the text is no charter."""
    reading = read(source.text, source.name, source.load)
    if reading.charter is None:
        raise Unusable(reading.diagnostics, reading.texts)
    kept = source.kept or Kept("nothing", {})
    known = {
        line: one for line, one in {**kept.delegated, **source.learnt}.items() if one is not None
    }
    lists = _lists(source, reading.charter, reading.texts)
    plan = make_plan(reading.charter, kept.areas, known, source.stand_ins, lists)
    return Loaded(plan, reading.diagnostics, reading.texts)


def _lists(source: Source, charter: Charter, texts: Mapping[str, str]) -> dict[str, Listed]:
    """What is known of the lists that a charter uses and does not hold itself. Raises
    Unusable."""
    if source.lists is None:
        return {}
    found: dict[str, Listed] = {}
    for one in (*used(charter), *used_of_names(charter)):
        listed = source.lists.get(one.name)
        if one.file is not None:
            listed = Listed(_beside(source, charter, one.name, one.file, texts))
        elif listed is None and one.source is not None:
            listed = put_aside(source, one.name)
        if listed is not None:
            found[one.name] = listed
    return found


def _beside(
    source: Source, charter: Charter, name: str, file: str, texts: Mapping[str, str]
) -> bytes:
    """The text of a list that lies beside the charter. Raises Unusable."""
    try:
        if source.load is None:
            raise Unreadable("files can't be read here")
        return _octets(source.load(file))
    except FileNotFoundError:
        why = "there is no such file"
    except (OSError, LookupError, ValueError, Unreadable) as fault:
        why = str(fault.args[-1]) if fault.args else "it can't be read"
    wrong = Diagnostic(
        "list-unreadable",
        "error",
        f"the list {name} can't be read: {why}",
        charter.where("lists", name, "file"),
        help="the name counts from the folder of the charter",
    )
    raise Unusable((wrong,), texts)


def _octets(text: str | bytes) -> bytes:
    return text.encode("utf-8") if isinstance(text, str) else text


def aside(name: str) -> str:
    """Under which name a fetched list is put aside with a version; no included file is called so."""
    return f"fetched:{name}"


def put_aside(source: Source, name: str) -> Listed | None:
    """What a fetched list held when a version was made of the charter; None where that is not
    known."""
    if source.load is None or source.kept is None:
        return None
    try:
        return Listed(_octets(source.load(aside(name))))
    except (OSError, LookupError, ValueError, Unreadable):
        return None


def included(source: Source) -> dict[str, bytes]:
    """The files that a charter includes, by the names under which it includes them, with its lists of
    addresses; no version is made of those of names that are fetched. Raises Unusable."""
    charter, known = read(source.text, source.name, source.load).charter, source.lists or {}
    of_addresses = {one.name for one in used(charter)} if charter is not None else set()
    found = {aside(name): one.text for name, one in known.items() if name in of_addresses}
    load = source.load
    if load is None:
        return found

    def heard(name: str) -> str | bytes:
        text = load(name)
        found[name] = text.encode("utf-8") if isinstance(text, str) else text
        return text

    load_plan(replace(source, load=heard))
    return found


def usable_plan(source: Source) -> Loaded:
    """Read and plan. Raises Unusable where the plan has an error, with all of them.

    Of such a plan nothing but its errors can be said: two areas share addresses, for instance,
    and whose a packet is depends on who is asked.
    """
    loaded = load_plan(source)
    wrong = tuple(d for d in loaded.plan.notes if d.severity == "error")
    if wrong:
        raise Unusable(wrong, loaded.texts)
    return loaded


@contextmanager
def answerable(loaded: Loaded) -> Iterator[None]:
    """Raises Unusable where a question within is more work than the engine may do."""
    try:
        yield
    except NoAnswer as fault:
        wrong = Diagnostic(
            "too-intricate",
            "error",
            f"no exact answer was found within the work allowed for one question: {fault}",
            loaded.plan.charter.where(),
            help="ask about less at once (`--from`, `--to`, `--with`, `--at`), or give rules that"
            " overlap in many ways fewer names, hours and ports each",
        )
        raise Unusable((wrong,), loaded.texts) from None
