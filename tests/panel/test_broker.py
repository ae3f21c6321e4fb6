"""Boards over MQTT in a description: what needs a broker, what may be a topic, whose login is where."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.mqtt.broker import Broker
from bridge.panel.load import load_panel
from tests.panel.test_refused import changed, refusal

LEFT = "[boards.left]\n"
BROKER = '[broker]\nhost = "192.168.1.20"\nprefix = "hobnail"\n'


def over_mqtt(more: str = "", broker: str = BROKER) -> tuple[str, str]:
    return LEFT, f'{broker}{LEFT}link = "mqtt"\n{more}'


def test_a_board_over_mqtt_needs_a_broker(config: Path) -> None:
    said = refusal(changed(config, over_mqtt(broker="")))
    assert "boards.left.link: found mqtt without a broker; expected a broker. Add [broker]." in said


def test_it_needs_no_port_and_is_real(config: Path) -> None:
    panel = load_panel(changed(config, over_mqtt()))
    assert not panel.description.boards["left"].is_virtual
    assert panel.description.broker is not None
    assert panel.description.broker.broker(config) == Broker("192.168.1.20", 1883)


def test_with_tls_it_has_another_port_and_files_beside_the_description(config: Path) -> None:
    text = BROKER + 'tls = true\nca = "ca.pem"\nlogin = "broker.login"\n'
    described = load_panel(changed(config, over_mqtt(broker=text))).description.broker
    assert described is not None
    made = described.broker(config)
    assert made == Broker("192.168.1.20", 8883, True, config / "ca.pem", config / "broker.login")


@pytest.mark.parametrize("topic", ["a/b", "#", "+", "", "$SYS", "a b"])
def test_a_boards_topic_is_one_plain_level(config: Path, topic: str) -> None:
    assert "boards.left.topic" in refusal(changed(config, over_mqtt(f'topic = "{topic}"\n')))


@pytest.mark.parametrize("key", ["prefix", "host"])
def test_what_is_no_topic_and_no_host_is_refused(config: Path, key: str) -> None:
    assert f"broker.{key}" in refusal(changed(config, over_mqtt(broker=f'[broker]\n{key} = "a b#"\n')))


def test_two_boards_can_not_share_a_topic(config: Path) -> None:
    right = "[boards.right]\n"
    shared = (right, f'{right}link = "mqtt"\ntopic = "one"\n')
    assert "one, the topic of board left" in refusal(changed(config, over_mqtt('topic = "one"\n'), shared))


def test_a_password_has_no_place_in_a_description(config: Path) -> None:
    said = refusal(changed(config, over_mqtt(broker=f'{BROKER}password = "hob-nail-7"\n')))
    assert "broker.password: found an unknown key" in said
    assert "hob-nail-7" not in said
