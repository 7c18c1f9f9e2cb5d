"""`netcharter restore FILE`."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import click

from netcharter.cli.common import exits, json_option, print_json, read_bytes, safe, write_text
from netcharter.cli.rolling import refused, state_option, who

MOST = 1 << 29  # bytes of a copy


@click.command("restore")
@click.argument("copy", type=click.Path(path_type=Path))
@click.option(
    "--fingerprint", required=True, metavar="TEXT", help="the one on paper; no other copy is taken"
)
@click.option(
    "--output", "-o", required=True, type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER", help="where to write the charter, to be looked at and enacted",
)  # fmt: skip
@click.option(
    "--device", "devices", multiple=True, metavar="OLD=NEW",
    help="what a network device of the charter is called on this machine",
)  # fmt: skip
@click.option("--secrets", is_flag=True, help="with the sealed secrets; asks for their password")
@state_option
@json_option
@exits
@refused
def cli(
    copy: Path,
    fingerprint: str,
    output: Path,
    devices: tuple[str, ...],
    secrets: bool,
    state: Path,
    as_json: bool,
) -> int:
    """Take a copy back on a machine that keeps nothing yet; nothing comes into force by it."""
    from netcharter.tasks.copies import taken_back

    mapping = dict(_pair(one) for one in devices)
    password = click.prompt("Password", hide_input=True, err=True) if secrets else None
    root = os.path.abspath(state)
    with _room(output) as write:
        data = _copy(copy)
        found = taken_back(root, data, fingerprint, mapping, password, who(), first=write)
    if as_json:
        print_json(found.as_json())
    else:
        for line in found.lines(str(output)):
            click.echo(safe(line))
    return 0 if found.ok else 1


@contextmanager
def _room(folder: Path) -> Iterator[Callable[[Mapping[str, str]], None]]:
    """A folder for the charter, made before the copy is taken back, and what writes texts there.
    What was made goes again if it fails. Raises Unusable where something is in it."""
    from netcharter.tasks.sources import unusable

    made: list[Path] = []

    def write(texts: Mapping[str, str]) -> None:
        for name, text in texts.items():
            where = folder / name
            _make(where.parent, made)
            write_text(where, text, new=True)
            made.append(where)

    try:
        _make(folder, made)
        reason = "something is in it" if any(folder.iterdir()) else ""
    except OSError as fault:
        reason = (fault.strerror or "unknown reason").lower()
    if reason:
        _gone(made)
        raise unusable(
            "cannot-write", f"the charter can't be written there: {reason}", str(folder), "",
            "name a folder that is empty or not there yet; nothing was changed",
        )  # fmt: skip
    try:
        yield write
    except BaseException:
        _gone(made)
        raise


def _make(folder: Path, made: list[Path]) -> None:
    """A folder and those above it; those that were not there are added."""
    lacking = [one for one in (folder, *folder.parents) if not os.path.lexists(one)]
    folder.mkdir(parents=True, exist_ok=True)
    made += reversed(lacking)


def _gone(made: list[Path]) -> None:
    """What was made is taken away again, but for folders in which something else is by now."""
    for one in reversed(made):
        with suppress(OSError):
            if one.is_dir():
                one.rmdir()
            else:
                one.unlink()


def _copy(path: Path) -> bytes:
    from netcharter.tasks.sources import unusable

    try:
        return read_bytes(path, MOST)
    except OSError as fault:
        reason = (fault.strerror or "unknown reason").lower()
        raise unusable(
            "cannot-read", f"the copy can't be read: {reason}", str(path), "", "name a copy"
        ) from None


def _pair(text: str) -> tuple[str, str]:
    old, equal, new = text.partition("=")
    if not equal or not old or not new:
        raise click.BadParameter(f"'{text}' is not OLD=NEW", param_hint="--device")
    return old, new
