"""The table of the second way out: whose executable may be run, and what it may come from."""

from pathlib import Path

import pytest

from logger.errors import ConfigurationError
from logger.settings import load
from tests.channels.factories import script

REST = """\
[store]
path = "log.sqlite"
[probe.p]
port = "/dev/absent"
[vat.v]
probe = "p"
"""


def written(folder: Path, table: str) -> Path:
    file = folder / "vatvigil.toml"
    file.write_text(f"{REST}{table}")
    return file


def test_what_is_not_written_takes_its_default(tmp_path: Path) -> None:
    path = script(tmp_path, "true")
    hook = load(written(tmp_path, f'[hook]\ncommand = ["{path}", "a b"]\n'), environ={}).hook
    assert hook is not None
    assert (hook.command, hook.after_s, hook.timeout_s, hook.retries) == ((str(path), "a b"), 60.0, 20.0, 5)
    assert load(written(tmp_path, ""), environ={}).hook is None


def test_it_can_come_from_the_environment(tmp_path: Path) -> None:
    environ = {"VATVIGIL_HOOK__COMMAND": '["/bin/true", "a b"]', "VATVIGIL_HOOK__AFTER_S": "5"}
    hook = load(written(tmp_path, ""), environ=environ).hook
    assert hook is not None
    assert (hook.command, hook.after_s) == (("/bin/true", "a b"), 5.0)
    with pytest.raises(ConfigurationError, match=r"environment VATVIGIL_HOOK__COMMAND: .*a list of texts is wanted"):
        load(written(tmp_path, ""), environ={"VATVIGIL_HOOK__COMMAND": "/bin/true"})


@pytest.mark.parametrize(
    ("file_mode", "folder_mode", "sentence"),
    [
        (0o757, 0o755, "every user may change it, and it would run as this one; give it mode 755"),
        (0o755, 0o777, "every user may put another file in its place, and it would run as this one; give FOLDER mode"),
        (0o755, 0o1777, None),  # as /tmp: nobody replaces another user's file (inode(7), sticky bit)
        (0o644, 0o755, "this user cannot execute it; name a file and give it mode 755"),
    ],
)
def test_what_others_may_change_is_not_run(
    tmp_path: Path, file_mode: int, folder_mode: int, sentence: str | None
) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    path = script(folder, "true")
    path.chmod(file_mode)
    folder.chmod(folder_mode)
    file = written(tmp_path, f'[hook]\ncommand = ["{path}", "salsify"]\n')
    if sentence is None:
        assert load(file, environ={}).hook is not None
        return
    with pytest.raises(ConfigurationError) as caught:
        load(file, environ={})
    message = str(caught.value)
    assert sentence.replace("FOLDER", str(folder)) in message
    assert "salsify" not in message
