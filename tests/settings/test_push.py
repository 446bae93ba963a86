"""The tables of push and of the dead man's switch: where their addresses come from, and what none can be."""

from pathlib import Path

import pytest

from logger.config import DeadManConfig, PushConfig
from logger.errors import ConfigurationError
from logger.settings import load, service_checks
from tests.settings.test_hook import written


def loaded(folder: Path, table: str, **environ: str) -> tuple[PushConfig | None, DeadManConfig | None]:
    config = load(written(folder, table), environ=environ)
    return config.push, config.dead_man


def complaint(folder: Path, table: str, **environ: str) -> str:
    with pytest.raises(ConfigurationError) as caught:
        load(written(folder, table), environ=environ)
    return str(caught.value)


def test_what_is_not_written_takes_its_default(tmp_path: Path) -> None:
    push, dead_man = loaded(tmp_path, '[push]\nurls = ["json://hall"]\n[dead_man]\nurl = "https://hall/a"\n')
    assert push == PushConfig(
        urls=("json://hall",), only_if_broker_fails=False, after_s=60.0, timeout_s=30.0, retries=5
    )
    assert dead_man == DeadManConfig(url="https://hall/a", every_s=300.0, timeout_s=10.0)
    assert loaded(tmp_path, "") == (None, None)


def test_addresses_come_from_files_or_the_environment(tmp_path: Path) -> None:
    (tmp_path / "push").write_text("json://hall\n\n  json://cellar\n")
    (tmp_path / "dead").write_text("https://hall/a\n")
    push, dead_man = loaded(tmp_path, '[push]\nurls_file = "push"\n[dead_man]\nurl_file = "dead"\n')
    assert (push and push.urls, dead_man and dead_man.url) == (("json://hall", "json://cellar"), "https://hall/a")
    environ = {"VATVIGIL_PUSH__URLS": '["json://attic"]', "VATVIGIL_DEAD_MAN__URL": "https://attic/b"}
    push, dead_man = loaded(tmp_path, "", **environ)
    assert (push and push.urls, dead_man and dead_man.url) == (("json://attic",), "https://attic/b")


@pytest.mark.parametrize(
    ("table", "sentence"),
    [
        ("[push]\n", "push.urls: it is missing; write urls_file"),
        ("[push]\nurls = []\n", "push.urls: it is empty; write urls_file"),
        ('[push]\nurls = "json://hall"\n', 'push.urls: a list of texts is wanted; write it as ["one", "two"]'),
        ('[push]\nurls = ["json://hall", "hall"]\n', "push.urls: number 2 is no address of a service; write it as"),
        ('[push]\nurls_file = "absent"\n', 'push.urls_file = "absent": the secret file cannot be read'),
        ("[dead_man]\n", "dead_man.url: it is missing; write url_file"),
        ('[dead_man]\nurl = "hall/a"\n', "dead_man.url: this is no address that can be asked for; write https://"),
        ('[dead_man]\nurl = "ftp://hall/a"\n', "dead_man.url: this is no address that can be asked for"),
        ('[dead_man]\nurl = "https://hall:port/a"\n', "dead_man.url: this is no address that can be asked for"),
        ('[dead_man]\nurl = "https://hall/a b"\n', "dead_man.url: this is no address that can be asked for"),
        ('[dead_man]\nurl = "https://[::1/a"\n', "dead_man.url: this is no address that can be asked for"),
        ('[dead_man]\nurl = "https://hall/a"\nevery_s = 1\n', "this must lie between 10 and 86400"),
    ],
)
def test_what_is_wrong_is_said_once(tmp_path: Path, table: str, sentence: str) -> None:
    told = complaint(tmp_path, table)
    assert sentence in told
    assert len(told.splitlines()) == 1


def test_an_address_is_given_once(tmp_path: Path) -> None:
    (tmp_path / "push").write_text("json://hall")
    told = complaint(tmp_path, '[push]\nurls = ["json://hall"]\nurls_file = "push"\n')
    assert told.endswith("push.urls_file: urls and urls_file are given, one is wanted; keep urls_file")


def test_without_the_library_the_way_to_it_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service_checks, "find_spec", lambda _: None)
    told = complaint(tmp_path, '[push]\nurls = ["json://hall"]\n')
    assert told.endswith("push: the library apprise is not installed; pip install apprise")
