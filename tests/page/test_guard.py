"""Who may look at the page, and what browsers are told."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.errors import RefusedError
from logger.page import access
from logger.page.guard import COOKIE, HEADERS
from tests.page import scene
from tests.page.served import Served, served

TOKEN = "kC3x9vT0q-LmZ2aQ7_rW"  # noqa: S105 - of this test alone
EVERYWHERE = "0.0.0.0"  # noqa: S104 - nothing is bound to it


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    config = scene.empty(tmp_path_factory.mktemp("guard"))
    with served(config, lambda: scene.NOW_US, token=TOKEN) as page:
        yield page


def test_without_the_token_nothing_is_shown(house: Served) -> None:
    for path in ("/", "/vat/north", "/style.css", "/?token=", "/?token=wrong", f"/?token={TOKEN}x", "/none"):
        answer = house.get(path)
        assert (answer.status, "North" in answer.text) == (401, False)
        assert "print-address" in answer.text
    assert house.get("/", Cookie=f"{COOKIE}=wrong").status == 401
    assert house.get("/", Cookie='bad"cookie=;;=').status == 401


def test_the_token_goes_from_the_address_into_a_cookie(house: Served) -> None:
    answer = house.get(f"/vat/north?span=3d&token={TOKEN}")
    assert (answer.status, answer.headers["location"]) == (303, "/vat/north?span=3d")
    cookie = answer.headers["set-cookie"]
    assert {"HttpOnly", "Path=/", "SameSite=lax"} <= {part.strip() for part in cookie.split(";")}
    shown = house.get(answer.headers["location"], Cookie=cookie.partition(";")[0])
    assert (shown.status, TOKEN in shown.text, "North vat" in shown.text) == (200, False, True)


def test_a_redirect_leads_nowhere_else(house: Served) -> None:
    answer = house.get(f"//elsewhere.test/?token={TOKEN}")
    assert answer.headers["location"] == "/elsewhere.test/"
    split = house.get(f"/a%0d%0aSet-Cookie:%20b=c?token={TOKEN}")
    assert split.headers["location"] == "/a%0D%0ASet-Cookie%3A%20b%3Dc"


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "127.0.0.1:8480", "[::1]:8480", "192.168.7.20", "localhost:1", "VATS.test."]
)
def test_it_answers_by_addresses_and_by_names_that_were_given(house: Served, host: str) -> None:
    assert house.get("/", host=host).status == 401


@pytest.mark.parametrize(
    "host", ["evil.test", "127.0.0.1.evil.test", "", "localhost.evil.test:8480", "[evil]", "2130706433"]
)
def test_a_foreign_name_is_refused_for_it_may_be_made_to_point_here(house: Served, host: str) -> None:
    # DNS rebinding: https://crypto.stanford.edu/dns/dns-rebinding.pdf, 5.3 (servers check the Host header).
    answer = house.get("/", host=host, Cookie=f"{COOKIE}={TOKEN}")
    assert answer.status == 421


def test_every_answer_tells_browsers_to_run_and_load_nothing_else(house: Served) -> None:
    cookie = f"{COOKIE}={TOKEN}"
    answers = [
        house.get("/"),
        house.get("/", Cookie=cookie),
        house.get("/none", Cookie=cookie),
        house.get("/page.js", Cookie=cookie),
        house.get("/", host="evil.test"),
    ]
    for answer in answers:
        assert {name.lower(): value for name, value in HEADERS.items()}.items() <= answer.headers.items()
        assert "server" not in answer.headers
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_nothing_can_be_commanded(house: Served, method: str) -> None:
    cookie = f"{COOKIE}={TOKEN}"
    for path in ("/", "/vat/north"):
        assert house.get(path, method=method, Cookie=cookie).status == 405


def test_the_token_is_made_once_and_is_its_owners_alone(tmp_path: Path) -> None:
    file = tmp_path / "token"
    made = access.token_of(file)
    assert len(made) >= 40
    assert access.token_of(file) == made
    assert file.stat().st_mode & 0o777 == 0o600
    os.chmod(file, 0o644)  # noqa: PTH101 - as a person does
    with pytest.raises(RefusedError, match="chmod 600"):
        access.token_of(file)


@pytest.mark.parametrize("content", ["", "short", "with space in it, and long", "q" * 15])
def test_a_poor_token_is_refused(tmp_path: Path, content: str) -> None:
    file = tmp_path / "token"
    file.write_text(content)
    file.chmod(0o600)
    with pytest.raises(RefusedError, match="holds no token"):
        access.token_of(file)


def test_where_no_token_can_be_kept_that_is_said(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match="--token-file"):
        access.token_of(tmp_path / "none" / "token")


def test_addresses_are_told_apart() -> None:
    assert [access.is_loopback(one) for one in ("127.0.0.1", "::1")] == [True, True]
    assert [access.is_loopback(one) for one in (EVERYWHERE, "192.168.7.20")] == [False, False]
    with pytest.raises(RefusedError, match=r"0\.0\.0\.0"):
        access.is_loopback("my-machine")
    assert access.shown_address("192.168.7.20", 8480, token=TOKEN) == "http://192.168.7.20:8480/?token=" + TOKEN
    assert access.shown_address("::1", 8480) == "http://[::1]:8480/"
    assert EVERYWHERE not in access.shown_address(EVERYWHERE, 8480)


def test_a_port_that_is_taken_is_named() -> None:
    with access.opened("127.0.0.1", 0) as taken, pytest.raises(RefusedError, match="choose another --port"):
        access.opened("127.0.0.1", taken.getsockname()[1])
