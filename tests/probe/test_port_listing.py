"""The names, holders and permissions of ports: a pseudo-terminal that this very process holds, and links to it."""

import os
import pwd
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.probe.port import describe_failure
from logger.probe.port_listing import Holder, access, describe_ports, list_serial_ports


@pytest.fixture
def device() -> Iterator[str]:
    ends = os.openpty()
    yield os.ttyname(ends[1])
    for end in ends:
        os.close(end)


def test_a_port_goes_by_its_lasting_names_and_tells_who_holds_it(device: str, tmp_path: Path) -> None:
    by_id, by_path = tmp_path / "by-id", tmp_path / "by-path"
    for folder, name in ((by_id, "usb-invented_0007"), (by_path, "pci-1-usb-2")):
        folder.mkdir()
        (folder / name).symlink_to(device)
    (port,) = [each for each in list_serial_ports(by_id=by_id, by_path=by_path) if each.device == device]
    assert (port.by_id, port.by_path) == (str(by_id / "usb-invented_0007"), str(by_path / "pci-1-usb-2"))
    assert port.name == port.by_id
    assert os.getpid() in [holder.pid for holder in port.holders]


def test_a_port_is_found_by_any_of_its_names(device: str, tmp_path: Path) -> None:
    link = tmp_path / "probe"
    link.symlink_to(device)
    assert describe_ports([str(link)]) == describe_ports([device])


def test_a_holder_is_told_by_number_and_name(device: str) -> None:
    waits = "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); print(); sys.stdin.read()"
    command = [sys.executable, "-c", waits, device]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        process.stdout.readline()
        (port,) = describe_ports([device])
        process.communicate(b"")
    assert process.pid in [holder.pid for holder in port.holders]
    assert all(isinstance(holder, Holder) and holder.command for holder in port.holders)


def test_a_port_that_is_not_there_says_so(tmp_path: Path) -> None:
    (port,) = describe_ports([str(tmp_path / "none")])
    assert not port.is_usable
    assert port.advice == "there is no such port (No such file or directory); check the cable and the path"


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user: run this test as root")


@needs_root
def test_a_port_of_a_group_names_the_group_to_join(device: str) -> None:
    os.chown(device, 0, 20)  # dialout, by Debian's base-passwd
    Path(device).chmod(0o660)
    told = as_nobody("import sys; from logger.probe.port_listing import access; print(access(sys.argv[1]))", device)
    assert told == str(
        ("crw-rw---- root dialout", "add this user to the group dialout (usermod -aG dialout USER), then log in anew")
    )


@needs_root
def test_a_refused_port_says_which_group_to_join(device: str) -> None:
    os.chown(device, 0, 20)
    Path(device).chmod(0o660)
    call = "describe_failure(PermissionError(13, ''), sys.argv[1])"
    code = f"import sys; from logger.probe.port import describe_failure; print({call})"
    assert as_nobody(code, device) == (
        "no permission to use the port; add this user to the group dialout (usermod -aG dialout USER), then log in anew"
    )


def as_nobody(code: str, *arguments: str) -> str:
    """What a program prints that becomes another user once it has imported what it needs."""
    nobody = pwd.getpwnam("nobody")
    imports, _, rest = code.partition("; print(")
    become = f"import os; os.setgroups([]); os.setgid({nobody.pw_gid}); os.setuid({nobody.pw_uid})"
    command = [sys.executable, "-c", f"{imports}; {become}; print({rest}", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def test_what_this_user_may_use_needs_no_advice(device: str) -> None:
    assert access(device)[1] == ""
    assert describe_failure(FileNotFoundError(2, ""), device) == "there is no such port; check the cable and the path"
