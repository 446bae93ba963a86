"""Print the table at the end, whatever failed, and keep it in a file where `CAMPAIGN_TABLE` names one."""

import os
from pathlib import Path

import pytest

from tests.campaign import table


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print the table."""
    if not table.ROWS:
        return
    terminalreporter.write_sep("=", f"campaign, {'long' if table.IS_LONG else 'short'}, seed {table.SEED}")
    for line in table.lines():
        terminalreporter.write_line(line)
    if "CAMPAIGN_TABLE" in os.environ:
        with Path(os.environ["CAMPAIGN_TABLE"]).open("a", encoding="utf-8") as file:
            file.write("\n".join(table.lines()) + "\n\n")
