"""Sends one push by the library apprise and ends: a program of its own, run by `channels/push.py`.

Law: it reads one line of JSON (url, title, body, kind), prints why it failed in one line, and says by its exit code
whether the service accepted. It imports nothing of the watch. Printed is what the library logs, which hides the secrets
that it knows of; whoever runs this program redacts every word of the address besides.
"""

import json
import logging
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

LONGEST = 150
"""Letters of a trouble that are printed."""
NOT_INSTALLED = "the library apprise is not installed: pip install apprise"
UNKNOWN = "the library apprise does not know such an address; see its list of services"


class _Said(logging.Handler):
    """Keeps what the library logs."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one record, without its values where they do not fit."""
        self.lines.append(record.getMessage())


@contextmanager
def _listening() -> Iterator[list[str]]:
    """Keep what the library logs in the block from everybody else; yield its lines."""
    said, logger = _Said(), logging.getLogger("apprise")
    before, logger.propagate = logger.propagate, False
    logger.addHandler(said)
    try:
        yield said.lines
    finally:
        logger.removeHandler(said)
        logger.propagate = before


def is_known(url: str) -> bool:
    """Tell whether the library knows such an address; nothing is sent. Raises ImportError."""
    with _listening():
        return _service(url) is not None


def trouble(message: Mapping[str, str]) -> str:
    """Send a message; return why that failed, empty: it did not."""
    with _listening() as said:
        try:
            library = _service(message["url"])
            if library is None:
                return UNKNOWN
            done = library.notify(
                body=message["body"], title=message["title"], notify_type=message["kind"], body_format="text"
            )
        except ImportError:
            return NOT_INSTALLED
        except Exception as error:  # noqa: BLE001 - whatever a plugin raises; its words may hold the address
            return f"the library apprise failed ({type(error).__name__})"
        return "" if done else " ".join(said) or "the service did not accept it"


def _service(url: str) -> Any:  # noqa: ANN401 - the library's own class, which is imported here only
    """Return the library with one service; None: it does not know such an address."""
    import apprise  # noqa: PLC0415 - an optional package

    asset = apprise.AppriseAsset(app_id="vatvigil", app_desc="vatvigil", async_mode=False)
    plugin = apprise.Apprise.instantiate(url, asset=asset)
    if plugin is None:
        return None
    library = apprise.Apprise(asset=asset)
    library.add(plugin)
    return library


def main() -> int:
    """Send what stands on the standard input."""
    why = trouble(json.loads(sys.stdin.readline()))
    if why:
        print(why[:LONGEST])  # noqa: T201 - a program's output
    return 1 if why else 0


if __name__ == "__main__":
    sys.exit(main())
