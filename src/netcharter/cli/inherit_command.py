"""`netcharter inherit LISTING`."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from netcharter.cli.common import (
    clock,
    exits,
    json_option,
    print_json,
    read_bytes,
    safe,
    source,
    told,
    width,
    working,
    write_text,
)

if TYPE_CHECKING:
    from netcharter.tasks.inherit import File, Given

MOST = 64 * 1024 * 1024  # bytes of a listing
F = TypeVar("F", bound=Callable[..., Any])
_FILE = click.Path(path_type=Path)


def _inputs(function: F) -> F:
    """The options that say what is known of the gateway."""
    for option in reversed(
        (
            click.argument("listing", required=False, type=_FILE),
            click.option("--live", is_flag=True, help="read this machine's own ruleset"),
            click.option("--addresses", type=_FILE, metavar="FILE", help="what `ip -j address` said"),
            click.option("--routes", multiple=True, type=_FILE, metavar="FILE",
                         help="what `ip -j route show table all` said, and with -6"),
            click.option("--leases", multiple=True, type=_FILE, metavar="FILE",
                         help="leases or reservations: dnsmasq, ISC, CSV"),
            click.option("--line", "lines", multiple=True, metavar="NAME=DEVICE",
                         help="this network device is a line of that name"),
            click.option("--area", "areas", multiple=True, metavar="NAME=DEVICE",
                         help="this network device is an area of that name"),
        )
    ):  # fmt: skip
        function = option(function)
    return function


def _wishes(function: F) -> F:
    """The options that say what is wanted."""
    for option in reversed(
        (
            click.option("--charter", type=_FILE, metavar="OUT", help="write a first charter"),
            click.option("--run-sheet", "sheet", type=_FILE, metavar="OUT",
                         help="write the sheet for the evening of the change"),
            click.option("--site", default="Site without a name", metavar="NAME",
                         help="what the site is called, for the charter"),
            click.option("--timezone", metavar="ZONE", help="its time zone, else this machine's"),
            click.option("--ask", "question", metavar="QUESTION",
                         help='"who can reach 192.0.2.10 with https"'),
            click.option("--why", is_flag=True, help="tell one connection's way, with --from, --to,"
                         " --with"),
            click.option("--from", "who", multiple=True, metavar="WHO", help="who starts"),
            click.option("--to", "reach", multiple=True, metavar="WHERE", help="what is reached"),
            click.option("--with", "services", multiple=True, metavar="SERVICE",
                         help="with which service"),
            click.option("--compare", "other", type=_FILE, metavar="OTHER",
                         help="another ruleset, or a charter"),
        )
    ):  # fmt: skip
        function = option(function)
    return function


@click.command("inherit")
@_inputs
@_wishes
@json_option
@exits
def cli(as_json: bool, **said: Any) -> int:
    """Judge a gateway that has no charter: audit its ruleset, ask it, start a charter from it."""
    with working("reading"):
        found = _found(said)
        if said["charter"] or said["sheet"]:
            found = _charted(found, said)
    if said["charter"]:
        write_text(said["charter"], found.charted.written.text, new=True)
    if said["sheet"]:
        write_text(said["sheet"], found.run_sheet(), keep=_read(said))
    if as_json:
        print_json(found.as_json())
    else:
        if getattr(found, "findings", ()):
            told(found.findings, found.texts)
        for line in found.lines(width()):
            click.echo(safe(line))
        for name in ("charter", "sheet"):
            if said[name]:
                click.echo(safe(f"written: {said[name]}"))
    return 0 if getattr(found, "ok", True) else 1


def _read(said: dict[str, Any]) -> list[Path]:
    """The files that were named to be read, and the charter: none is written over."""
    single = [said[name] for name in ("listing", "addresses", "other", "charter")]
    return [path for path in (*single, *said["routes"], *said["leases"]) if path is not None]


def _found(said: dict[str, Any]) -> Any:
    """What was asked for: an answer, a story, a difference, or the audit."""
    from netcharter.tasks import inherit

    given = _given(said)
    if said["other"]:
        return inherit.compare_gateway(given, _file(said["other"]), source(said["other"]))
    if said["why"]:
        who, reach, services = (_single(said, name) for name in ("who", "reach", "services"))
        return inherit.explain_gateway(given, who, reach, services)
    if said["question"] or said["who"] or said["reach"]:
        terms = said["who"], said["reach"], said["services"]
        return inherit.ask_gateway(given, said["question"], *terms)
    return inherit.inherit(given, clock())


def _charted(found: Any, said: dict[str, Any]) -> Any:
    """With a first charter, where an audit was made."""
    from netcharter.cli.new_command import timezone_guess
    from netcharter.tasks.inherit import Inherited, chart

    if not isinstance(found, Inherited):
        raise click.UsageError("--charter and --run-sheet stand alone, without a question")
    zone = said["timezone"] or timezone_guess()
    return chart(found, site=said["site"], timezone=zone, entropy=secrets.token_bytes(16))


def _given(said: dict[str, Any]) -> Given:
    """What is known of the gateway. Raises Unusable unless there is just one ruleset."""
    from netcharter.tasks.inherit import Given
    from netcharter.tasks.sources import unusable

    if bool(said["listing"]) == said["live"]:
        raise unusable(
            "nothing-to-inherit",
            "one ruleset is needed: a listing, or this machine's own",
            "inherit",
            "",
            "name a file with what `nft -j list ruleset` printed, or say `--live`",
        )
    return Given(
        _file(said["listing"]) if said["listing"] else None,
        _file(said["addresses"]) if said["addresses"] else None,
        tuple(map(_file, said["routes"])),
        tuple(map(_file, said["leases"])),
        said["lines"],
        said["areas"],
    )


def _file(path: Path) -> File:
    """A file that was named. Raises Unusable where it can't be read."""
    from netcharter.tasks.inherit import File
    from netcharter.tasks.sources import unusable

    try:
        return File(str(path), read_bytes(path, MOST))
    except OSError as fault:
        raise unusable(
            "cannot-read",
            f"the file can't be read: {(fault.strerror or 'unknown reason').lower()}",
            str(path),
            "",
            "name a file that exists and that you may read",
        ) from None


def _single(said: dict[str, Any], name: str) -> str:
    """The one value of an option that --why needs."""
    values = said[name]
    if len(values) != 1:
        option = {"who": "--from", "reach": "--to", "services": "--with"}[name]
        raise click.UsageError(f"--why needs {option} once")
    return str(values[0])
