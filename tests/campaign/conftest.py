"""Print the table at the end, whatever failed."""

from dataclasses import asdict
from typing import Any

import pytest

from tests.campaign import table


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:  # noqa: ANN401 - of xdist, which has no types
    """Take over what another process of the same run noted."""
    for row in getattr(node, "workeroutput", {}).get("campaign", []):
        table.add(table.ROWS, table.Row(**row))


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand on what was noted to the process that prints."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["campaign"] = [asdict(row) for row in table.ROWS.values()]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the table."""
    if not table.ROWS:
        return
    terminalreporter.write_sep("=", f"campaign, {'long' if table.IS_LONG else 'short'}, seed {table.SEED}")
    for line in table.lines(table.ROWS.values()):
        terminalreporter.write_line(line)
