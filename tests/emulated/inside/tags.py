"""The tags of the frames that come in by a device, as packet(7) tells them beside the frame.

Until it is ended. A line for each: tag, protocol of the payload, source of IPv4. It makes the file
that it is given once it listens.
"""

import socket
import struct
import sys
from pathlib import Path

ALL, AUXDATA, PACKET = 3, 8, 263  # ETH_P_ALL, PACKET_AUXDATA, SOL_PACKET of <linux/if_packet.h>
VALID = 1 << 4  # TP_STATUS_VLAN_VALID

taker = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(ALL))
taker.bind((sys.argv[1], 0))
taker.setsockopt(PACKET, AUXDATA, 1)
Path(sys.argv[2]).touch()
while True:
    frame, beside, _, sender = taker.recvmsg(2000, 100)
    if sender[2] == socket.PACKET_OUTGOING:
        continue
    tag = "none"
    for level, kind, data in beside:
        if (level, kind) == (PACKET, AUXDATA):
            status, _, _, _, _, told = struct.unpack_from("=IIIHHH", data)
            tag = str(told & 0xFFF) if status & VALID else "none"
    protocol = struct.unpack_from("!H", frame, 12)[0]
    source = socket.inet_ntoa(frame[26:30]) if protocol == 0x0800 else "-"
    print(tag, f"{protocol:04x}", source, flush=True)
