"""`vatvigil rehearse` where no daemon runs; with one: tests/e2e/test_rehearse.py."""

from pathlib import Path

from logger.model import CommandKind
from logger.store import Store, queries
from tests.cli.cli_fixture import House, now_us

DAY_US = 86_400_000_000


def test_where_nothing_goes_out_nothing_can_be_tested(tmp_path: Path) -> None:
    refused = House(folder=tmp_path).do("rehearse")
    assert (refused.exit_code, refused.stdout) == (1, "")
    assert "there is no [mqtt], [push] or [hook] in the configuration: nothing could be tested" in refused.stderr


def test_in_accelerated_time_it_is_asked_for_by_the_clock_of_the_newest_record(tmp_path: Path) -> None:
    house = House(folder=tmp_path, more='[simulation]\nspeed = 60\n[mqtt]\nhost = "127.0.0.1"\n')
    ahead_us = now_us() + 40 * DAY_US
    with house.watch() as watching:
        watching.take([145.0], first_us=ahead_us)
    refused = house.do("rehearse")
    assert "no daemon has taken it" in refused.stderr
    with Store.open(house.config.store_url, simulated=True, read_only=True) as store:
        (command,) = queries.pending_commands(store)
    assert (command.kind, command.at_us) == (CommandKind.REHEARSE, ahead_us)
