"""Checksums computed by whoever sends: on virtual cables they are left out otherwise.

The receiver of a virtual cable does not mind, but a capture would show wrong ones.
"""

from __future__ import annotations

import ctypes
import fcntl
import socket
import struct

_SIOCETHTOOL = 0x8946  # linux/sockios.h
_ETHTOOL_STXCSUM = 0x17  # linux/ethtool.h; without it segmentation is left to nobody either


def complete(device: str) -> None:
    """For a device of this thread's network namespace. Raises OSError if the kernel refuses."""
    value = ctypes.create_string_buffer(struct.pack("=II", _ETHTOOL_STXCSUM, 0))
    request = struct.pack("16sP", device.encode("ascii"), ctypes.addressof(value))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        fcntl.ioctl(one, _SIOCETHTOOL, request.ljust(40, b"\0"))
