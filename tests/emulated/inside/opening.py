"""Waits for an opening packet of TCP that comes in by a device without a frame's head, and writes
what it says about the size of a segment (RFC 9293 section 3.2: option 2, four bytes). It makes the
file that it is given once it listens."""

import socket
import struct
import sys
from pathlib import Path

taker = socket.socket(socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(0x0800))
taker.bind((sys.argv[1], 0))
taker.settimeout(600)
Path(sys.argv[2]).touch()
while True:
    packet = taker.recv(2000)
    head = (packet[0] & 15) * 4
    segment = packet[head:]
    if packet[9] != 6 or segment[13] & 0x12 != 0x02:
        continue
    options = segment[20 : (segment[12] >> 4) * 4]
    while options and options[0] != 2:
        options = options[1 if options[0] == 1 else options[1] :]
    print(struct.unpack_from("!H", options, 2)[0] if options else "nothing")
    break
