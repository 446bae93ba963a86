"""Passwords come from files and directories of secrets, and what is wrong with those is reported."""

from pathlib import Path

from tests.settings.files import PROBE, VAT, WHOLE, complaints, loaded


def test_a_missing_directory_of_secrets_is_an_error(file: Path) -> None:
    assert complaints(file, WHOLE, VATVIGIL_SECRETS_DIR="nowhere") == [
        (
            "environment VATVIGIL_SECRETS_DIR: the secrets directory FOLDER/nowhere cannot be read "
            "(No such file or directory); check the directory's owner and mode or unset VATVIGIL_SECRETS_DIR"
        )
    ]


def test_secrets_come_from_files(file: Path, tmp_path: Path) -> None:
    (tmp_path / "pw").write_text("hunter2\n")
    (tmp_path / "address").write_text("postgresql://watch:hunter3@db/log\n")
    got = loaded(
        file, '[store]\nurl_file = "address"\n' + PROBE + VAT + '[mqtt]\nusername = "w"\npassword_file = "pw"\n'
    )
    assert (got.store_url, got.mqtt and got.mqtt.password) == ("postgresql://watch:hunter3@db/log", "hunter2")


def test_secrets_come_from_a_directory_and_the_environment_stands_over_it(file: Path, tmp_path: Path) -> None:
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "mqtt__password").write_text("hunter2\n")
    (secrets / "store__url").write_text("postgresql://watch:hunter3@db/log")
    text = PROBE + VAT + '[mqtt]\nusername = "w"\n'
    got = loaded(file, text, VATVIGIL_SECRETS_DIR="secrets")
    assert (got.store_url, got.mqtt and got.mqtt.password) == ("postgresql://watch:hunter3@db/log", "hunter2")
    over = loaded(file, text, VATVIGIL_SECRETS_DIR="secrets", VATVIGIL_MQTT__PASSWORD="hunter4")  # noqa: S106 - only here
    assert (over.mqtt and over.mqtt.password) == "hunter4"
    (secrets / "mqtt__pasword").write_text("hunter5")
    assert complaints(file, text, VATVIGIL_SECRETS_DIR="secrets") == [
        (
            "FOLDER/secrets/mqtt__pasword: there is no such setting ('pasword' is no key here); "
            "did you mean mqtt__password?"
        )
    ]


def test_an_empty_secret_file_is_an_error(file: Path, tmp_path: Path) -> None:
    (tmp_path / "pw").write_text("\n")
    assert complaints(file, WHOLE + '[mqtt]\npassword_file = "pw"\n') == [
        'FILE: mqtt.password_file = "pw": the secret file is empty; write the secret into it, on one line'
    ]
