"""The one place where foreign text is made safe to be shown.

Pages escape their markup besides, by their templates (`report.page`).

Names, reasons and file contents are hostile input: a control character can repaint a terminal,
and a bidirectional control can make a line read otherwise than it is written (Unicode
Standard Annex 9, section 2; Unicode Technical Report 36, section 2.5).
"""

from __future__ import annotations

import re

HIDDEN = re.compile(
    "["
    "\x00-\x1f\x7f-\x9f"  # C0 and C1 controls
    "\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180f"  # unseen marks and fillers
    "\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\u3164\ufeff\uffa0\ufff0-\ufffb"
    "\ud800-\udfff"
    "\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e0fff"
    "]"
)
"""Characters that are not seen, or that change how others are seen.

The zero width joiner and non-joiner are left alone: emoji and several scripts need them.
"""


def _visible(match: re.Match[str]) -> str:
    return f"<U+{ord(match.group()):04X}>"


def terminal(text: str) -> str:
    """Text with every control, bidirectional and unseen character written out."""
    return HIDDEN.sub(_visible, text)
