"""Answers every connection with the address that it came from, for at most five minutes."""

import socket
import sys

server = socket.create_server(("", int(sys.argv[1])))
server.settimeout(300)
try:
    while True:
        found, peer = server.accept()
        found.sendall(peer[0].encode("ascii"))
        found.close()
except TimeoutError:
    pass
