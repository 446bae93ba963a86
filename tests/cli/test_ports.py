"""`vatvigil ports`."""

import json
import os

from click.testing import CliRunner

from logger.cli.ports import ports


def test_a_port_is_shown_with_its_holder_and_what_its_name_is_worth() -> None:
    ends = os.openpty()
    device = os.ttyname(ends[1])
    try:
        told = CliRunner().invoke(ports, [device]).output
        (as_json,) = json.loads(CliRunner().invoke(ports, [device, "--json"]).output)
    finally:
        for end in ends:
            os.close(end)
    assert told.startswith(f"{device}\n")
    assert f"(process {os.getpid()})" in told
    assert "the name may mean another adapter after the next restart" in told
    assert (as_json["device"], as_json["is_usable"]) == (device, True)


def test_a_port_that_is_not_there_is_told() -> None:
    told = CliRunner().invoke(ports, ["/dev/ttyNONE0"]).output
    assert told == (
        "/dev/ttyNONE0\n  to do    there is no such port (No such file or directory); check the cable and the path\n"
    )
