"""What can be said while the files of a running gateway are read."""

from __future__ import annotations

from netcharter.diagnostics.entry import Entry

INHERITING: dict[str, Entry] = {
    "file-kind-unknown": Entry(
        "file of an unknown kind",
        "A file holds neither leases nor reservations in a form that is known.",
        "Nothing of it would be kept.",
        "Name the file of the DHCP server itself, or a table with a line of headings.",
    ),
    "too-much-to-read": Entry(
        "file too large to be read",
        "A file of the old gateway has more than 32 million bytes.",
        "It would fill the memory of the machine.",
        "Give a part of it.",
    ),
    "entry-not-read": Entry(
        "line that can't be read",
        "A line or an entry of a file is not as its format says.",
        "What it holds is not in the charter.",
        "Mend the line, or write the device into the charter by hand.",
    ),
    "entry-left-out": Entry(
        "entry that is left out",
        "An entry was understood, but a charter has no words for it.",
        "The new gateway will not do this.",
        "Decide whether it is still needed.",
    ),
    "file-not-followed": Entry(
        "file named in a file",
        "A file says that another file belongs to it.",
        "Only files that are named by you are read.",
        "Name that file, too.",
    ),
    "not-from-ip": Entry(
        "no output of ip",
        "A text should be what `ip -j address` or `ip -j route` prints, and is not.",
        "Lines and areas can't be told without it.",
        "Run the command on the old gateway and keep what it prints.",
    ),
    "name-not-understood": Entry(
        "name for a network device not understood",
        "A name for a line or an area was given in another form, or twice.",
        "The charter would call things otherwise than was meant.",
        "Write NAME=DEVICE: office=eth2.",
    ),
    "neighbours-not-read": Entry(
        "no neighbour table",
        "A text should be what `ip -j neigh` prints, and is not, or ends early.",
        "Devices that have no lease would be missing without a word.",
        "Run the command on the gateway and keep all that it prints.",
    ),
    "device-not-seen": Entry(
        "device that was not seen",
        "A device is to be named in the charter, and nothing tells in which area it is.",
        "A device without a home is let nowhere.",
        "Say its area.",
    ),
    "no-such-network-device": Entry(
        "no such network device",
        "A name was given for a network device that the old gateway does not have.",
        "The line or the area would have nothing to hang on.",
        "Write the device as `ip link` shows it.",
    ),
}
