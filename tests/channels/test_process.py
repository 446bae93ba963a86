"""Real executables, well and badly behaved, run for an event."""

import json
import os
import resource
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.channels import RunResult
from logger.channels.process import Output, secrets_of
from tests.channels.factories import Post, event, runner, script
from tests.parts.waiting import wait_until


@pytest.fixture
def post() -> Iterator[Post]:
    made = Post()
    yield made
    assert made.empty()


def is_alive(pid: int) -> bool:
    """Tell whether a process runs (a killed orphan may stay as a zombie until somebody asks for it)."""
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rpartition(")")[2].split()[0] != "Z"


def test_it_hears_the_event_as_json_and_its_arguments_as_they_stand(tmp_path: Path, post: Post) -> None:
    said = script(tmp_path, 'cat > "$0.d/event"; printf "%s|" "$@" > "$0.d/arguments"')
    ours = runner(post, said, "two words", "$HOME;`id`")
    ours.submit(event())
    assert post.next() == RunResult("hook", event().id, "")
    ours.stop(1)
    assert json.loads((tmp_path / "hook.d/event").read_text()) == json.loads(event().payload)
    assert (tmp_path / "hook.d/arguments").read_text() == "two words|$HOME;`id`|"


def test_it_sees_none_of_our_settings_and_not_the_manager_s_socket(
    tmp_path: Path, post: Post, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("VATVIGIL_MQTT__PASSWORD", "salsify")
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/manager")
    monkeypatch.setenv("LANG", "C.UTF-8")
    ours = runner(post, script(tmp_path, 'env > "$0.d/environment"; pwd > "$0.d/folder"'))
    ours.submit(event())
    assert post.next() == RunResult("hook", event().id, "")
    ours.stop(1)
    seen = (tmp_path / "hook.d/environment").read_text()
    assert [word in seen for word in ("salsify", "VATVIGIL", "NOTIFY", "LANG=C.UTF-8")] == [False, False, False, True]
    assert (tmp_path / "hook.d/folder").read_text() == "/\n"


@pytest.mark.parametrize(
    ("text", "trouble"),
    [
        ("exit 3", "it ended with exit code 3"),
        ("kill -15 $$", "it was ended by signal 15"),
        ("sleep 60", "it was killed after its time limit of 0.5 s"),
        ("exec sleep 60 >&- 2>&-", "it was killed after its time limit of 0.5 s"),
        ("trap '' TERM INT HUP; while :; do sleep 1; done", "it was killed after its time limit of 0.5 s"),
        ("exec 0<&-; exit 0", ""),
    ],
)
def test_how_it_ended_is_told(tmp_path: Path, post: Post, text: str, trouble: str) -> None:
    ours = runner(post, script(tmp_path, text), timeout_s=0.5)
    ours.submit(event())
    assert post.next() == RunResult("hook", event().id, trouble)
    ours.stop(1)


@pytest.mark.parametrize("text", [None, "#!/nowhere/at/all\n", "no program at all\n"])
def test_what_cannot_be_started_is_told_and_ends_nothing(tmp_path: Path, post: Post, text: str | None) -> None:
    path = tmp_path / "hook"
    if text is not None:
        path.write_text(text)
        path.chmod(0o755)
    ours = runner(post, path)
    for _ in (1, 2):
        ours.submit(event())
        ran = post.next()
        assert isinstance(ran, RunResult)
        assert ran.trouble.startswith("it cannot be started (")
    ours.stop(1)


@pytest.mark.parametrize("end", ["wait", "exit 0"])
def test_its_children_do_not_outlive_it(tmp_path: Path, post: Post, end: str) -> None:
    text = f'sleep 60 & echo $! > "$0.d/child"; (sleep 61 & echo $! > "$0.d/grandchild"); {end}'
    ours = runner(post, script(tmp_path, text), timeout_s=1.0)
    ours.submit(event())
    post.next()
    ours.stop(1)
    pids = [int((tmp_path / "hook.d" / name).read_text()) for name in ("child", "grandchild")]
    wait_until(lambda: not any(is_alive(pid) for pid in pids), 10, lambda: f"one of {pids} lives")


def test_a_flood_is_read_and_forgotten(tmp_path: Path, post: Post, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "logger.channels")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    ours = runner(post, script(tmp_path, "printf '\\033[2Jred\\n'; exec yes flood"), timeout_s=1.0)
    ours.submit(event())
    assert post.next() == RunResult("hook", event().id, "it was killed after its time limit of 1 s")
    ours.stop(1)
    (line,) = [record.message for record in caplog.records]
    assert line.startswith(f"The second way out said on event {event().id}: '\\x1b[2Jred\\nflood")
    assert len(line) < 600
    assert int(line.rpartition("(")[2].removesuffix(" bytes)")) > 100_000
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 20_000  # KiB (getrusage(2))


def test_what_it_says_at_its_very_end_is_heard(tmp_path: Path, post: Post, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO", "logger.channels")
    ours = runner(post, script(tmp_path, "echo one; echo two >&2"))
    ours.submit(event())
    post.next()
    ours.stop(1)
    assert caplog.records[0].message.endswith("'one\\ntwo'")


def test_the_end_gives_a_run_a_moment_then_kills_it_and_calls_that_no_failure(tmp_path: Path, post: Post) -> None:
    ours = runner(post, script(tmp_path, 'echo $$ > "$0.d/pid"; sleep 60'), timeout_s=50)
    ours.submit(event())
    pid = tmp_path / "hook.d/pid"
    wait_until(lambda: pid.exists() and bool(pid.read_text()), 10)
    began = time.monotonic()
    ours.stop(0.2)
    assert time.monotonic() - began < 5
    wait_until(lambda: not is_alive(int(pid.read_text())), 10)
    assert post.empty()


def test_events_are_told_one_after_the_other(tmp_path: Path, post: Post) -> None:
    text = 'mkdir "$0.d/lock" || exit 9; sleep 0.1; rmdir "$0.d/lock"'
    ours = runner(post, script(tmp_path, text))
    for number in range(3):
        ours.submit(event(number))
    assert [post.next() for _ in range(3)] == [RunResult("hook", event(number).id, "") for number in range(3)]
    ours.stop(1)


def test_no_descriptor_is_left_open(tmp_path: Path, post: Post) -> None:
    ours = runner(post, script(tmp_path, "sleep 60 & exec >&-; exit 1"))
    ours.submit(event())
    post.next()
    before = len(os.listdir("/proc/self/fd"))  # noqa: PTH208 - no path is wanted
    for _ in range(5):
        ours.submit(event())
        post.next()
    assert len(os.listdir("/proc/self/fd")) == before  # noqa: PTH208 - no path is wanted
    ours.stop(1)


@pytest.mark.parametrize(
    ("printed", "shown"),
    [
        (b"GET /?key=--token=damson-9 failed", "'GET /?key=*** failed'"),
        (b"damson-9 is wrong, damson-9!", "'*** is wrong, ***!'"),
        (b"who knows dams", "'who knows ***'"),  # the end of what is kept may cut it
        (b"dam it", "'dam it'"),
        (b"-v loud", "'-v loud'"),
    ],
)
def test_what_it_prints_of_its_own_arguments_is_blotted_out(printed: bytes, shown: str) -> None:
    output = Output(secrets=secrets_of(["--token=damson-9", "-v"]))
    output.append(printed)
    assert str(output) == shown
