"""Topics of the reference, and their texts."""

from __future__ import annotations

import re
from importlib import resources

from busbench.errors import BusbenchError, meant, sanitize
from busbench.reference import tables

# In the order in which a newcomer needs them.
TOPICS = {
    "results": "what is normal, what is bad, what to do next",
    "wiring": "connect an adapter, drive the bus, test the adapter by itself",
    "faq": "short answers: silent adapter, engine, replay, two receivers",
    "terms": "the words used here",
    "formats": "recordings that can be read and written",
    "rig-file": "the plan of an aircraft, key by key",
    "drive-program": "a program of test sweeps, key by key",
    "virtual": "virtual receivers and aircraft, with faults on request",
    "python": "use from Python, in notebooks and in pytest",
}
_TABLE = re.compile(r"^\{\{(\w+)\}\}$", re.MULTILINE)
_FENCE = re.compile(r"^```\w*\n(.*?)^```$\n?", re.MULTILINE | re.DOTALL)


def source_text(topic: str) -> str:
    """A topic as it is written, in Markdown with the names of its tables; BusbenchError hints at a near one."""
    if topic not in TOPICS:
        hint = meant(topic, TOPICS, otherwise=f"give one of {', '.join(TOPICS)}")
        raise BusbenchError(f"{sanitize(topic, most=40)}: unknown topic", hint=hint)
    return (resources.files("busbench.reference") / f"{topic}.md").read_text(encoding="utf-8")


def topic_text(topic: str) -> str:
    """The text of a topic for a terminal of 80 columns, its tables filled in; raises as source_text does."""
    text = _FENCE.sub(lambda found: found[1], source_text(topic))
    return _TABLE.sub(lambda found: tables.TABLES[found[1]](), text)


def topic_list() -> str:
    """A line per topic."""
    return "\n".join(f"  {name:<15}{title}" for name, title in TOPICS.items())
