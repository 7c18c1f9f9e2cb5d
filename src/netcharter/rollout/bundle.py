"""Files as one compressed row of bytes, and back: the same files give the same bytes.

The form is that of POSIX tar (IEEE Std 1003.1, pax, "ustar Interchange Format") in gzip (RFC
1952), so that any tool reads it. Reading takes plain files only, each name once and below the
folder, and no more of them than the limits say, whatever the bytes are.
"""

from __future__ import annotations

import io
import re
import tarfile
import zlib
from collections.abc import Iterator, Mapping

MOST_FILES = 20_000
MOST_BYTES = 256 * 2**20  # unpacked, with the heads of the files
LONGEST = 200  # characters of a name
_BLOCK = 512
_PART = r"\w[\w .@+,()'=:~#&-]*"  # never `.` or `..`, nothing hidden, nothing that moves a cursor
_NAME = re.compile(rf"{_PART}(/{_PART})*")
_OCTAL = re.compile(rb"[0-7]{1,11}[ \0]*")
_GZIP = 16 + zlib.MAX_WBITS


class BundleBroken(ValueError):
    """The bytes are no bundle, or one that is not taken; the text says why."""


def packed(files: Mapping[str, tuple[int, bytes]]) -> bytes:
    """Files by name, each with its mode. Raises BundleBroken for what could not be read again."""
    if len(files) > MOST_FILES:
        raise BundleBroken(f"there are more than {MOST_FILES} files")
    room = MOST_BYTES - 2 * _BLOCK
    stream = io.BytesIO()
    with tarfile.open(
        fileobj=stream, mode="w", format=tarfile.USTAR_FORMAT, encoding="utf-8"
    ) as tar:
        for name in sorted(files):
            mode, data = files[name]
            room -= _BLOCK + len(data) + -len(data) % _BLOCK
            if room < 0:
                raise BundleBroken(f"the files have more than {MOST_BYTES // 2**20} MiB")
            head = tarfile.TarInfo(checked(name))
            head.size, head.mode, head.mtime = len(data), mode & 0o777, 0
            try:
                tar.addfile(head, io.BytesIO(data))
            except ValueError:  # no place to part it in (`prefix` has 155 bytes, `name` has 100)
                raise BundleBroken(f"the name {name!r} is too long") from None
    packer = zlib.compressobj(6, zlib.DEFLATED, _GZIP)
    return packer.compress(stream.getvalue()) + packer.flush()


def checked(name: str) -> str:
    """A name that stays below the folder and can be written. Raises BundleBroken."""
    if len(name) > LONGEST or not _NAME.fullmatch(name):
        raise BundleBroken(f"{name[:LONGEST]!r} is no name for a file of a state folder")
    return name


def unpacked(data: bytes) -> dict[str, tuple[int, bytes]]:
    """Files by name, each with its mode. Raises BundleBroken for anything but plain files."""
    found: dict[str, tuple[int, bytes]] = {}
    for name, mode, content in _members(_inflated(data)):
        if checked(name) in found:
            raise BundleBroken(f"{name!r} is in it twice")
        if len(found) == MOST_FILES:
            raise BundleBroken(f"it holds more than {MOST_FILES} files")
        found[name] = (mode, content)
    for name in found:
        if any(name[:end] in found for end in _ends(name)):
            raise BundleBroken(f"{name!r} is below what is a file")
    return found


def _ends(name: str) -> Iterator[int]:
    return (place for place, letter in enumerate(name) if letter == "/")


def _inflated(data: bytes) -> bytes:
    unpacker = zlib.decompressobj(_GZIP)
    try:
        found = unpacker.decompress(data, MOST_BYTES + 1)
    except zlib.error:
        raise BundleBroken("it is damaged, or not compressed as it should be") from None
    if len(found) > MOST_BYTES:
        raise BundleBroken(f"it would have more than {MOST_BYTES // 2**20} MiB when unpacked")
    if not unpacker.eof:
        raise BundleBroken("it is cut short")
    if unpacker.unused_data:
        raise BundleBroken("something follows after its end")
    return found


def _members(tar: bytes) -> Iterator[tuple[str, int, bytes]]:
    """Name, mode and contents of every member, of which all must be plain files."""
    at = 0
    while tar[at : at + _BLOCK] != bytes(_BLOCK):
        head = tar[at : at + _BLOCK]
        name, mode, size = _head(head)
        end = at + _BLOCK + size
        if end > len(tar):
            raise BundleBroken(f"{name!r} is cut short")
        yield name, mode, tar[at + _BLOCK : end]
        at = end + -size % _BLOCK
    if tar[at:].strip(b"\0") or len(tar) < at + 2 * _BLOCK:
        raise BundleBroken("it does not end as it should")


def _head(head: bytes) -> tuple[str, int, int]:
    """Name, mode and size. Only what `packed` writes is taken: no links, devices, long forms."""
    if len(head) < _BLOCK:
        raise BundleBroken("it is cut short")
    if head[257:265] != b"ustar\x0000":
        raise BundleBroken("it is no tar of the form `ustar`")
    if _number(head[148:156]) != sum(head[:148]) + 8 * 32 + sum(head[156:]):
        raise BundleBroken("the checksum of a file's head is wrong")
    name = _text(head[0:100])
    prefix = _text(head[345:500])
    whole = f"{prefix}/{name}" if prefix else name
    kind = head[156:157]
    if kind != b"0":
        told = _KINDS.get(kind, "something other than a file")
        raise BundleBroken(f"{whole[:LONGEST]!r} is {told}, and only plain files are taken")
    return whole, _number(head[100:108]) & 0o777, _number(head[124:136])


_KINDS = {  # typeflag, as the standard has them
    b"1": "a hard link",
    b"2": "a symbolic link",
    b"3": "a device",
    b"4": "a device",
    b"5": "a folder",
    b"6": "a pipe",
}


def _text(field: bytes) -> str:
    try:
        return field.split(b"\0", 1)[0].decode("utf-8")
    except UnicodeDecodeError:
        raise BundleBroken("a name is not UTF-8") from None


def _number(field: bytes) -> int:
    if not _OCTAL.fullmatch(field):
        raise BundleBroken("a number in a file's head is none")
    return int(field.rstrip(b" \0"), 8)
