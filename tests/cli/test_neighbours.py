"""What others could read or change is told, and what nobody else can touch is not."""

import os
from pathlib import Path

import pytest

from logger.cli._neighbours import findings
from logger.config import Config, HookConfig, MqttConfig
from logger.structs import replace
from tests.daemon.factories import config_of


@pytest.fixture
def file(tmp_path: Path) -> Path:
    (tmp_path / "password").write_text("secret")
    (tmp_path / "vatvigil.toml").write_text('[mqtt]\nhost = "broker"\npassword_file = "password"\n')
    for path in tmp_path.iterdir():
        path.chmod(0o600)
    return tmp_path / "vatvigil.toml"


def told(file: Path, config: Config | None = None) -> list[tuple[str, str]]:
    return list(findings(config or config_of(file.parent), file))


def test_what_only_its_owner_can_touch_is_not_told(file: Path) -> None:
    assert told(file) == []


def test_a_password_file_that_everybody_may_read_is_told(file: Path) -> None:
    (file.parent / "password").chmod(0o644)
    ((what, text),) = told(file)
    assert (what, text.partition(":")[2]) == ("secrets", f" chmod o-rwx {file.parent / 'password'}")


def test_a_configuration_with_a_password_that_everybody_may_read_is_told(file: Path) -> None:
    file.write_text('[mqtt]\nhost = "broker"\npassword = "secret"\n')
    file.chmod(0o644)
    assert [what for what, _ in told(file)] == ["secrets"]


def test_a_configuration_that_others_may_change_is_told(file: Path) -> None:
    file.chmod(0o620)
    assert told(file) == [
        ("configuration", f"others may change {file}, and so what is run as this user: chmod go-w {file}")
    ]


@pytest.mark.parametrize(
    ("mqtt", "expected"),
    [
        (MqttConfig(host="broker.lan", username="a", password="b"), ["broker"]),  # noqa: S106 - no secret
        (MqttConfig(host="broker.lan", username="a", password="b", tls=True), []),  # noqa: S106 - as above
        (MqttConfig(host="127.0.0.1", username="a", password="b"), []),  # noqa: S106 - as above
        (MqttConfig(host="::1", username="a", password="b"), []),  # noqa: S106 - as above
        (MqttConfig(host="broker.lan"), []),
    ],
)
def test_a_password_is_told_that_goes_over_the_network_in_clear(
    file: Path, mqtt: MqttConfig, expected: list[str]
) -> None:
    assert [what for what, _ in told(file, replace(config_of(file.parent), mqtt=mqtt))] == expected


def test_a_hook_is_told_that_others_may_change_also_by_a_folder_above_or_behind_a_link(file: Path) -> None:
    folder = file.parent / "bin"
    folder.mkdir(mode=0o700)
    (program := folder / "wake").write_text("#!/bin/sh\n")
    program.chmod(0o700)
    (link := file.parent / "link").symlink_to(program)
    config = replace(config_of(file.parent), hook=HookConfig(command=(str(link),)))
    assert told(file, config) == []
    folder.chmod(0o777)
    assert [(what, str(folder) in text) for what, text in told(file, config)] == [("second way out", True)]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file away")
def test_a_hook_of_another_user_is_told(file: Path) -> None:
    (program := file.parent / "wake").write_text("#!/bin/sh\n")
    program.chmod(0o700)
    os.chown(program, 12345, 12345)
    config = replace(config_of(file.parent), hook=HookConfig(command=(str(program),)))
    assert [text.partition(":")[0] for _, text in told(file, config)] == [
        f"{program} belongs to another user (number 12345), who may change what is run"
    ]
