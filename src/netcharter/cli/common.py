"""What commands share: reading charters, the clock, printing, exit codes."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from errno import EEXIST
from functools import wraps
from pathlib import Path, PurePosixPath
from tempfile import mkstemp
from threading import Event, Thread
from typing import Any, ParamSpec

import click

P = ParamSpec("P")
MOST = 8 * 1024 * 1024  # bytes of one file; the reader refuses far less with a diagnostic
FIRST_YEAR, LAST_YEAR = 1971, 2199  # time zones are not known much further
INTERRUPTED = 130  # as a shell reports what Ctrl-C ended
PATIENCE = 1.0  # seconds before work is worth a sign of life

charter_argument = click.argument("charter", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="print the documented JSON")
as_of_option = click.option(
    "--as-of",
    "as_of",
    metavar="DATE",
    callback=lambda _, __, value: moment(value),
    help="judge as if it were this date or moment (2026-12-01, '2026-12-01 21:30')",
)


def moment(text: str | None) -> datetime:
    """Now, or the moment given (UTC unless it says otherwise)."""
    if text is None:
        return datetime.now(UTC).replace(microsecond=0)
    try:
        given = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"'{text}' is no date: write 2026-12-01") from None
    if not FIRST_YEAR <= given.year <= LAST_YEAR:
        raise click.BadParameter(f"write a year from {FIRST_YEAR} to {LAST_YEAR}")
    return given if given.tzinfo else given.replace(tzinfo=UTC)


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


def read_bytes(path: Path) -> bytes:
    """A file's content, at most a little more than any charter may be long."""
    with path.open("rb") as file:
        return file.read(MOST)


def included(folder: Path, name: str) -> str:
    """The text of an included file; only from the charter's own folder or below it."""
    from netcharter.tasks.sources import Unreadable

    path = folder.joinpath(*PurePosixPath(name).parts)
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            raise Unreadable("it lies outside the charter's folder")
        return read_bytes(path).decode("utf-8")
    except UnicodeDecodeError:
        raise Unreadable("it is not UTF-8 text") from None
    except OSError as fault:
        raise Unreadable((fault.strerror or "unknown reason").lower()) from None


def exits(function: Callable[P, int]) -> Callable[P, None]:
    """For a command that returns its exit code; unusable input is told and becomes exit 2."""

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        from netcharter.tasks.sources import Unusable

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


def write_text(path: Path, text: str, keep: Path | None = None) -> None:
    """Write a whole file or nothing, for its owner and group only; never over the file `keep`."""
    beside: Path | None = None
    try:
        if keep is not None and path.exists() and path.samefile(keep):
            raise FileExistsError(EEXIST, "this is the charter itself")
        handle, name = mkstemp(prefix=f".{path.name}.", dir=path.parent)
        beside = Path(name)
        with open(handle, "w", encoding="utf-8") as file:
            file.write(text)
        beside.chmod(0o640)
        beside.replace(path)
    except OSError as fault:
        raise _cannot_write(path, fault) from None
    finally:
        if beside is not None:
            beside.unlink(missing_ok=True)


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
    if not sys.stderr.isatty():
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
