"""Asks an address and port over TCP and writes what it is told, or that it was refused."""

import socket
import sys

try:
    with socket.create_connection((sys.argv[1], int(sys.argv[2])), 30) as found:
        print(found.recv(100).decode("ascii"))
except OSError as trouble:
    print(f"not let: {trouble}")
