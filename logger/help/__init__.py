"""The help topics that `vatvigil help` shows, as Markdown files of this package.

The first line of each file is `# name: what it is about`. A `{{word}}` in it stands for a table that
`logger/report/reference.py` makes from the declarations in the code.
"""

from collections.abc import Mapping
from importlib import resources

TOPICS = (
    "calibrating",
    "alarms",
    "trust",
    "target",
    "marks",
    "batch",
    "people",
    "mqtt",
    "push",
    "hook",
    "page",
    "probes",
    "settings",
    "files",
    "service",
    "faults",
    "troubleshooting",
    "cautions",
)
"""In the order in which a newcomer meets them."""


def source(topic: str) -> str:
    """Return the Markdown of a topic, tables not yet filled in. Raises FileNotFoundError."""
    return (resources.files(__name__) / f"{topic}.md").read_text(encoding="utf-8")


def subjects() -> Mapping[str, str]:
    """Return what each topic is about, in one line."""
    return {topic: source(topic).partition("\n")[0].partition(": ")[2] for topic in TOPICS}
