"""The systemd unit's own command under its own restrictions: a file system that it cannot write, no home, no rights.

Without systemd the restrictions are made of what systemd makes them of: mounts of its own and setpriv(1).
"""

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from tests.parts.simulator import Start
from tests.settings.test_examples import unit

__test__ = os.geteuid() == 0  # only root may mount
ROOM = Path("/var/lib/vatvigil")
CONFIGURE = """\
set -e
mount --make-rprivate /
mount -t tmpfs none /tmp && mkdir /tmp/upper /tmp/work
mount -t overlay -o lowerdir=/etc,upperdir=/tmp/upper,workdir=/tmp/work none /etc
mount -t tmpfs none /var/lib
mkdir -p /etc/vatvigil /var/lib/vatvigil
"$1" -P -m logger init --real --defaults --port "$2" --broker - --zone UTC --out {configuration}
sed -i -e "s/^poll_s.*/poll_s = 1/" -e "s/^timeout_s.*/timeout_s = 0.3/" {configuration}
chown -R "$3" /etc/vatvigil /var/lib/vatvigil && chmod {mode} /var/lib/vatvigil
mount --bind /var/lib/vatvigil /var/lib/vatvigil
for kept in "$5" "$6"; do mkdir -p /tmp$kept; mount --bind $kept /tmp$kept; done
for folder in /home /root /run/user; do [ ! -d $folder ] || mount -t tmpfs -o mode=755 none $folder; done
for kept in "$5" "$6"; do [ -d $kept ] || {{ mkdir -p $kept; mount --bind /tmp$kept $kept; }}; done
while read -r _ _ _ _ at _; do
    case $at in /proc*|/sys*|/dev*|/tmp|/var/lib/vatvigil) continue ;; esac
    [ ! -e "$at" ] || mount -o remount,bind,ro "$at"
done < /proc/self/mountinfo
cd {folder}
exec setpriv --reuid "$3" --regid "$3" --clear-groups --no-new-privs --bounding-set=-all --inh-caps=-all \
    env -i NOTIFY_SOCKET="$4" "$1" -P -c "$7" "$1" -P -m logger {arguments}
"""
WITHOUT_MEMORY_TO_RUN = """\
import ctypes, os, sys
ctypes.CDLL(None).prctl(65, 1, 0, 0, 0)  # PR_SET_MDWE of prctl(2), from Linux 6.3: it forbids what the unit forbids
os.umask(0o77)
os.execv(sys.argv[1], sys.argv[1:])
"""


@contextmanager
def service(port: str) -> Iterator[tuple[subprocess.Popen[bytes], socket.socket]]:
    """Run the unit's command on a configuration that `init` wrote for it; with the socket where it notifies."""
    declared, code = unit(), Path(__file__).parents[2]
    program, *arguments = declared["ExecStart"].split()
    assert Path(program).name == "vatvigil"
    script = CONFIGURE.format(
        configuration=arguments[-1],
        mode=declared["StateDirectoryMode"],
        folder=declared["WorkingDirectory"],
        arguments=" ".join(arguments),
    )
    user = str(code.stat().st_uid or 65534)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(f"\0vatvigil-test-{os.getpid()}")
        manager.settimeout(10)
        name = f"@vatvigil-test-{os.getpid()}"
        inside = ["unshare", "--mount", "sh", "-c", script, "sh"]
        given = [sys.executable, port, user, name, str(code), sys.base_prefix, WITHOUT_MEMORY_TO_RUN]
        with subprocess.Popen([*inside, *given], cwd=code, stderr=subprocess.PIPE) as process:
            try:
                yield process, manager
            finally:
                process.kill()


def ended(process: subprocess.Popen[bytes]) -> str:
    process.kill()
    assert process.stderr is not None
    return process.stderr.read().decode()


def heard(manager: socket.socket, word: bytes) -> bool:
    with suppress(TimeoutError):
        while manager.recv(64) != word:
            pass
        return True
    return False


@pytest.mark.slow
def test_the_unit_s_command_watches_with_what_init_wrote_where_nothing_else_can_be_written(
    simulator: Start, tmp_path: Path
) -> None:
    with service(simulator("quiet-night", tcp=True).port) as (process, manager):
        assert heard(manager, b"READY=1"), ended(process)
        assert heard(manager, b"WATCHDOG=1")
        mounts = Path(f"/proc/{process.pid}/mountinfo").read_text().splitlines()
        writable = {at for _, _, _, _, at, options, *_ in map(str.split, mounts) if "rw" in options.split(",")}
        assert {at for at in writable if not at.startswith(("/proc", "/sys", "/dev"))} == {"/tmp", str(ROOM)}  # noqa: S108
        room = Path(f"/proc/{process.pid}/root{ROOM}")
        assert {file.stat().st_mode & 0o77 for file in room.iterdir()} == {0}
        for part in ("log.sqlite", "log.sqlite-wal"):  # SQLite itself would look for it where we are
            shutil.copy(room / part, tmp_path / part)
        with closing(sqlite3.connect(tmp_path / "log.sqlite")) as store:
            assert store.execute("SELECT count(*) FROM measurement").fetchone()[0] > 0
        process.send_signal(signal.SIGTERM)
        assert heard(manager, b"STOPPING=1")
        assert process.wait(15) == 0, ended(process)
