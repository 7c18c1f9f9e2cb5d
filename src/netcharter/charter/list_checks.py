"""Lists of names and addresses: one origin each, and what its keys may say together."""

from __future__ import annotations

from netcharter.charter.checks import at, entries
from netcharter.charter.lists import ADDRESSES, NAMES, is_domain, is_numeric
from netcharter.charter.shapes import GUESSED, SAID, Fields, Path, Walk, first_line
from netcharter.charter.values import Wrong, address, prefix, quoted

MOST_LISTS = 100
MOST_ENTRIES = 2_000  # written out in the charter; more belong into a file
# Ends of names of files: of what is known of a list, of what is half written or half gone.
_BESIDE = (".json", ".netcharter-new", ".netcharter-gone")
_WAYS = ("from", "file", "entries")


def check_lists(walk: Walk, doc: Fields) -> None:
    """Every list has one origin, and no key that says nothing of it."""
    names = list(entries(doc, "lists"))
    if len(names) > MOST_LISTS:
        walk.tell("too-many-lists", walk.where(("lists", names[MOST_LISTS][0])),
                  f"this is list number {MOST_LISTS + 1}; a charter has at most {MOST_LISTS}",
                  "put some of them together")  # fmt: skip
    for name, fields in names:
        _list(walk, ("lists", name), fields)
    for topic, name in topics(doc).items():
        if topic in dict(names):
            walk.tell("name-clash", walk.where(("lists", name, "topic")),
                      f"`{topic}` is the name of a list, so it can't be a topic",
                      "choose another name for one of them",
                      related=((walk.where(("lists", topic)), "the list"),))  # fmt: skip


def _list(walk: Walk, path: Path, fields: Fields) -> None:
    said = [key for key in _WAYS if key in fields[SAID]]
    if not said:
        walk.tell("missing-key", first_line(walk.where(path)),
                  f"nothing says where the list `{path[-1]}` comes from",
                  "add one of them: from, file, entries")  # fmt: skip
    elif len(said) > 1 and not fields[GUESSED] & set(said):
        walk.tell("too-much-said", walk.where((*path, said[1])),
                  f"a list says `{said[0]}` and `{said[1]}`", "make two lists of it",
                  related=((walk.where((*path, said[0])), "the other"),))  # fmt: skip
    else:
        _idle(walk, path, fields, said[0])
    if "from" in fields[SAID]:
        _kept_apart(walk, path)
    if "entries" in fields:
        _entries(walk, (*path, "entries"), fields["entries"], fields.get("of", NAMES))


def _kept_apart(walk: Walk, path: Path) -> None:
    """Whose text a gateway keeps under the list's name must not take the place of what it keeps beside
    another one's."""
    name = str(path[-1])
    if name.endswith(_BESIDE):
        walk.tell("bad-name", first_line(walk.where(path)),
                  f"`{name}` can't be the name of a list that is fetched: a gateway keeps files of its "
                  "own that are called so",
                  f"for instance {name.replace('.', '-')}")  # fmt: skip


def _idle(walk: Walk, path: Path, fields: Fields, way: str) -> None:
    """Keys that say nothing of this kind of list."""
    idle = {key: "a list that is not fetched" for key in ("every", "change") if way != "from"}
    if way == "entries":
        idle["form"] = "a list whose entries stand here"
    if fields.get("of", NAMES) == ADDRESSES:
        idle |= {key: "a list of addresses" for key in ("form", "topic")}
    for key, what in idle.items():
        if key in fields[SAID]:
            walk.tell("list-key-unused", walk.where((*path, key)),
                      f"`{key}` says nothing of {what}", f"leave `{key}` out")  # fmt: skip


def _entries(walk: Walk, path: Path, found: tuple[str, ...], of: str) -> None:
    if len(found) > MOST_ENTRIES:
        walk.tell("too-many-entries", at(walk, path, MOST_ENTRIES),
                  f"this is entry number {MOST_ENTRIES + 1}; {MOST_ENTRIES} can stand here",
                  "put them into a file, and name it with `file`")  # fmt: skip
        return
    for i, value in enumerate(found):
        help = _wrong_address(value) if of == ADDRESSES else _wrong_domain(value)
        if help is not None:
            what = "address or prefix" if of == ADDRESSES else "domain name"
            walk.tell("bad-entry", at(walk, path, i), f"{quoted(value)} is no {what}", help)  # fmt: skip


def _wrong_address(value: str) -> str | None:
    try:
        prefix(value) if "/" in value else address(value)
    except Wrong as wrong:
        return wrong.help or "for instance 192.0.2.10 or 192.0.2.0/24"
    return None


def _wrong_domain(value: str) -> str | None:
    """What to say instead of an entry that is no domain name; `*.` before one says nothing more."""
    bare = value.removeprefix("*.")
    if is_numeric(bare):
        return "write `of: addresses` if these are addresses"
    if not is_domain(bare):
        return "write a domain name: example.org, which takes in all names below it"
    return None


def topics(doc: Fields) -> dict[str, str]:
    """The topics of a document, each with the first list that has it."""
    found: dict[str, str] = {}
    for name, fields in entries(doc, "lists"):
        if "topic" in fields:
            found.setdefault(fields["topic"], name)
    return found
