"""What commands share: reading charters, the clock, printing, exit codes."""

from __future__ import annotations

import json
import os
import shutil
import stat
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from errno import EEXIST, EFBIG, EINVAL, EISDIR
from functools import wraps
from pathlib import Path, PurePosixPath
from tempfile import mkstemp
from threading import Event, Thread
from typing import Any, ParamSpec

import click

P = ParamSpec("P")
MOST = 8 * 1024 * 1024  # bytes of one file; the reader refuses far less with a diagnostic
MOST_LISTED = 2**25  # bytes of a list of addresses
INTERRUPTED = 130  # as a shell reports what Ctrl-C ended
PATIENCE = 1.0  # seconds before work is worth a sign of life

charter_argument = click.argument("charter", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="print the documented JSON")
as_of_option = click.option(
    "--as-of",
    "as_of",
    metavar="DATE",
    help="judge as if it were this date or moment at the site (2026-12-01, '2026-12-01 21:30')",
)


def clock() -> datetime:
    """Now, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


def source(path: Path) -> Any:
    """A charter's text, and a way to get the files that it includes from beside it."""
    from netcharter.tasks.sources import Source, unusable

    try:
        return Source(str(path), read_bytes(path), lambda name: included(path.parent, name))
    except OSError as fault:
        raise unusable(
            "cannot-read",
            f"the charter can't be read: {(fault.strerror or 'unknown reason').lower()}",
            str(path),
            "",
            "name a file that exists and that you may read",
        ) from None


def read_bytes(path: Path, most: int = MOST) -> bytes:
    """A regular file's content, at most a little more than any charter may be long."""
    _regular(os.stat(path).st_mode)  # before it is opened: that alone sets some devices going
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(handle, "rb") as file:
        _regular(os.fstat(handle).st_mode)
        return file.read(most)


def read_list(path: Path) -> bytes:
    """All of a regular file that may hold a list: a part of one would name less, or somebody else in
    its last line. Raises OSError where it is longer than any may be."""
    found = read_bytes(path, MOST_LISTED + 1)
    if len(found) > MOST_LISTED:
        raise OSError(EFBIG, "it is longer than a list may be")
    return found


def _regular(mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(EISDIR, os.strerror(EISDIR))
    if not stat.S_ISREG(mode):
        raise OSError(EINVAL, "it is not a regular file")


def included(folder: Path, name: str) -> bytes:
    """The content of an included file, or of a list; only from the charter's own folder or below it."""
    from netcharter.tasks.sources import Unreadable

    path = folder.joinpath(*PurePosixPath(name).parts)
    try:
        if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
            raise Unreadable("it lies outside the charter's folder")
        return read_list(path)
    except OSError as fault:
        raise Unreadable((fault.strerror or "unknown reason").lower()) from None


def exits(function: Callable[P, int]) -> Callable[P, None]:
    """For a command that returns its exit code; unusable input is told and becomes exit 2. Clock
    changes are those of the newer time zone data."""

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        from netcharter.tasks.sources import Unusable
        from netcharter.tasks.zones import use_newest

        use_newest()
        try:
            code = function(*args, **kwargs)
        except Unusable as wrong:
            if kwargs.get("as_json"):
                print_json(wrong.as_json())
            else:
                told(wrong.diagnostics, wrong.texts, to_error=True)
            code = 2
        except (KeyboardInterrupt, click.Abort):
            click.echo("\nended; nothing is left half done", err=True)
            code = INTERRUPTED
        sys.exit(code)

    return run


def print_json(value: Mapping[str, Any]) -> None:
    """One JSON document, alone on standard output; only ASCII, so nothing can repaint."""
    click.echo(json.dumps(value, indent=2, sort_keys=False))


def write_text(path: Path, text: str, keep: Iterable[Path] = (), *, new: bool = False) -> None:
    """The same as `write_bytes` with a text."""
    write_bytes(path, text.encode("utf-8"), keep, new=new)


def write_bytes(path: Path, data: bytes, keep: Iterable[Path] = (), *, new: bool = False) -> None:
    """Write a whole file or nothing, for its owner and group only.

    Only a regular file is written over, where a link leads to it, too; none of `keep`, and none
    at all if it must be `new`.
    """
    beside: Path | None = None
    try:
        target = _to_write(path, keep)
        handle, name = mkstemp(prefix=f".{target.name}.", dir=target.parent)
        beside = Path(name)
        with open(handle, "wb") as file:
            file.write(data)
        beside.chmod(0o640)
        if new and os.path.lexists(path):
            raise FileExistsError(EEXIST, "there is a file by now, and it is left as it is")
        beside.replace(target)
    except OSError as fault:
        raise _cannot_write(path, fault) from None
    finally:
        if beside is not None:
            beside.unlink(missing_ok=True)


def _to_write(path: Path, keep: Iterable[Path]) -> Path:
    """The file that a path means in the end. A device or pipe of that name stays what it is."""
    target = Path(os.path.realpath(path))
    if os.path.lexists(target):
        _regular(target.lstat().st_mode)
        if any(target.samefile(one) for one in keep):
            raise FileExistsError(EEXIST, "this is one of the files that are read")
    return target


def _cannot_write(path: Path, fault: OSError) -> Exception:
    from netcharter.tasks.sources import unusable

    return unusable(
        "cannot-write",
        f"it can't be written: {(fault.strerror or 'unknown reason').lower()}",
        str(path),
        "",
        "name a file in a folder that exists and that you may write to",
    )


def width() -> int:
    """Columns to write for."""
    return min(shutil.get_terminal_size((100, 24)).columns, 140)


def colour() -> bool:
    """Is standard output a terminal that wants colours?"""
    return sys.stdout.isatty() and not click.get_current_context().color is False


def told(diagnostics: Any, texts: Mapping[str, str], *, to_error: bool = False) -> None:
    """Print diagnostics with the charter's lines underlined."""
    from netcharter.diagnostics.text import render

    text = render(diagnostics, texts, width=width(), colour=colour())
    click.echo(text, err=to_error)


def safe(text: str) -> str:
    """Foreign text for the terminal, through the one escaping place."""
    from netcharter.diagnostics.escape import terminal

    return terminal(text)


@contextmanager
def working(what: str) -> Iterator[None]:
    """A sign of life on a terminal when work takes longer than a second."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield
        return
    done = Event()
    thread = Thread(target=_spin, args=(what, done), daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def _spin(what: str, done: Event) -> None:
    if done.wait(PATIENCE):
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn(what), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        progress.add_task(what, total=None)
        done.wait()
