"""What may be the name of a topic. Pure.

MQTT 3.1.1 (OASIS, 2014), section 4.7: + and # are wild cards, a leading $ is the broker's own, no name is
empty, none has a null character. We take less than it allows: these names end up in logs and access lists.
"""

from __future__ import annotations

import re

MOST_CHARACTERS = 120
TOPICS = "letters, digits, . _ and -, levels parted by /, 120 characters at most"
_TOPIC = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(/[A-Za-z0-9][A-Za-z0-9._-]*)*")


def is_topic(text: str) -> bool:
    """Whether this is a topic that we publish or subscribe to (see TOPICS)."""
    return len(text) <= MOST_CHARACTERS and _TOPIC.fullmatch(text) is not None
