"""`netcharter seen CHARTER`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from textwrap import wrap
from typing import Any

import click

from netcharter.cli.common import (
    charter_argument,
    clock,
    exits,
    json_option,
    print_json,
    read_bytes,
    safe,
    source,
    told,
    width,
    write_text,
)
from netcharter.cli.remote import elsewhere, on_option

MOST = 64 * 1024 * 1024  # bytes of a file
_FILE = click.Path(path_type=Path)


@click.command("seen")
@charter_argument
@click.option(
    "--leases",
    multiple=True,
    type=_FILE,
    metavar="FILE",
    help="leases of the gateway, else this machine's own",
)
@click.option(
    "--neighbours",
    type=_FILE,
    metavar="FILE",
    help="what `ip -j neigh` said on the gateway, else this machine's own",
)
@click.option(
    "--add",
    "hardware",
    metavar="HARDWARE",
    help="name the device of this hardware address in the charter",
)
@click.option("--as", "name", metavar="NAME", help="with --add: what it is called")
@click.option(
    "--area", metavar="AREA", help="with --add: where it is at home, if not where it was seen"
)
@click.option("--lasting", is_flag=True, help="with --add: it keeps its address")
@click.option("--barred", is_flag=True, help="with --add: it is refused everywhere")
@click.option("--write", is_flag=True, help="with --add: change the charter, not only show how")
@on_option
@json_option
@exits
def cli(charter: Path, on: str | None, as_json: bool, **said: Any) -> int:  # fmt: skip
    """Devices that were seen on the gateway and that the charter does not name."""
    _fitting(said, on)
    if on is not None:
        return elsewhere(on, charter)
    from netcharter.tasks import seen

    given = source(charter)
    if said["hardware"] is not None:
        return _named(given, said, as_json)
    found = seen.look(given, _texts(said), clock())
    if as_json:
        print_json(found.as_json())
        return 0
    if found.unread:
        told(found.unread, {}, to_error=True)
    _printed(found.lines())
    return 0


def _named(given: Any, said: dict[str, Any], as_json: bool) -> int:
    """One more device in the charter: shown, and written if that was said."""
    from netcharter.tasks import seen

    strangers = seen.look(given, _texts(said), clock()).strangers if _to_be_seen(said) else ()
    wish = seen.Wish(said["hardware"], said["name"], said["area"], said["lasting"], said["barred"])
    named = seen.name_one(given, wish, strangers)
    if said["write"]:
        ((name, text),) = named.changed().items()  # an entry is in one file, written whole or not
        write_text(Path(name), text)
        named = replace(named, written=True)
    if as_json:
        print_json(named.as_json())
        return 0
    _printed(named.lines())
    click.echo("written" if named.written else "nothing is written yet: add --write")
    return 0


def _fitting(said: dict[str, Any], on: str | None) -> None:
    """What can't be said together."""
    if said["hardware"] is None:
        for option in ("name", "area", "lasting", "barred", "write"):
            if said[option]:
                shown = "as" if option == "name" else option
                raise click.UsageError(f"--{shown} goes with --add")
    elif said["name"] is None:
        raise click.UsageError("--add needs --as, the name that the charter is to call it")
    elif on is not None:
        raise click.UsageError(
            "--add changes the charter that lies here: leave --on out, say --area"
        )
    if on is not None and (said["leases"] or said["neighbours"]):
        raise click.UsageError("with --on the gateway's own leases and neighbours are read")


def _to_be_seen(said: dict[str, Any]) -> bool:
    """Is the area to be found from who was seen?"""
    return said["area"] is None or bool(said["leases"] or said["neighbours"])


def _texts(said: dict[str, Any]) -> Any:
    from netcharter.tasks.seen import Texts, texts_here

    if not said["leases"] and said["neighbours"] is None:
        return texts_here(lambda path: read_bytes(Path(path), MOST))
    neighbours = said["neighbours"]
    return Texts(
        {str(path): _read(path) for path in said["leases"]},
        None if neighbours is None else (str(neighbours), _read(neighbours)),
    )


def _read(path: Path) -> bytes:
    from netcharter.tasks.sources import unusable

    try:
        return read_bytes(path, MOST)
    except OSError as fault:
        raise unusable(
            "cannot-read",
            f"the file can't be read: {(fault.strerror or 'unknown reason').lower()}",
            str(path),
            "",
            "name a file that exists and that you may read",
        ) from None


def _printed(lines: Any) -> None:
    """What belongs to a list or a difference stays on its line."""
    for line in lines:
        prose = len(line) > width() and line[:1] not in "+-@ "
        for part in wrap(line, width(), subsequent_indent="  ") if prose else [line]:
            click.echo(safe(part))
