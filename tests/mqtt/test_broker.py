"""How one is let in at a broker: logins that can't be used, and that no text ever has a password in it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bridge.mqtt.broker import PASSWORD, USER, Broker, BrokerError, Login

SECRET = "hob-nail-7"


def login_file(folder: Path, text: str, mode: int = 0o600) -> Path:
    file = folder / "broker.login"
    file.write_text(text)
    file.chmod(mode)
    return file


def test_the_login_comes_from_a_file_of_two_lines(tmp_path: Path) -> None:
    broker = Broker("h", 1883, login=login_file(tmp_path, f"me\n{SECRET}\n"))
    assert broker.credentials({}) == Login("me", SECRET)


def test_without_a_file_it_comes_from_the_environment() -> None:
    broker = Broker("h", 1883)
    assert broker.credentials({USER: "me", PASSWORD: SECRET}) == Login("me", SECRET)
    assert broker.credentials({}) == Login()


@pytest.mark.skipif(os.name != "posix", reason="modes of files")
def test_a_login_that_others_may_read_is_refused_with_the_cure(tmp_path: Path) -> None:
    file = login_file(tmp_path, f"me\n{SECRET}\n", 0o644)
    with pytest.raises(BrokerError, match=f"chmod 600 {file}"):
        Broker("h", 1883, login=file).credentials({})


@pytest.mark.parametrize("text", ["", "me\n", f"me\n{SECRET}\nmore\n", f"\n{SECRET}\n"])
def test_a_login_of_other_than_two_lines_is_refused_and_not_quoted(tmp_path: Path, text: str) -> None:
    with pytest.raises(BrokerError, match="a line each") as refused:
        Broker("h", 1883, login=login_file(tmp_path, text)).credentials({})
    assert SECRET not in str(refused.value)


def test_a_login_that_is_not_there_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(BrokerError, match="nowhere"):
        Broker("h", 1883, login=tmp_path / "nowhere").credentials({})


def test_an_authority_that_is_not_there_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(BrokerError, match="correct ca"):
        Broker("h", 8883, tls=True, ca=tmp_path / "nowhere.pem").context()


@pytest.mark.parametrize(
    ("broker", "readable"),
    [
        (Broker("192.168.1.20", 1883), True),
        (Broker("192.168.1.20", 8883, tls=True), False),
        (Broker("127.0.0.1", 1883), False),
    ],
)
def test_what_crosses_a_network_unencrypted_is_known(broker: Broker, readable: bool) -> None:
    assert broker.is_readable is readable


def test_no_text_of_a_login_has_its_password() -> None:
    assert SECRET not in repr(Login("me", SECRET)) + str(Login("me", SECRET))
