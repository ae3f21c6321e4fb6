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


CLASS = ("[fixed]", '[[sources]]\nkind = "mqtt"\ntopic = "class/readings"\n[fixed]')


def test_readings_of_another_panel_are_a_source(config: Path) -> None:
    panel = load_panel(changed(config, CLASS, over_mqtt()))
    assert panel.description.sources[-1].topic == "class/readings"


def test_they_need_a_broker(config: Path) -> None:
    assert "sources.1.kind: found mqtt without a broker" in refusal(changed(config, CLASS))


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ('kind = "mqtt"', "a source of kind mqtt without topic"),
        ('kind = "mqtt"\ntopic = "a"\nlisten = "127.0.0.1:1"', "a source of kind mqtt with listen"),
        ('kind = "mqtt"\ntopic = "a/#"', "sources.1.topic"),
        ('listen = "127.0.0.1:1"', "a source of kind udp without layouts"),
        ('layouts = ["layouts/json.toml"]', "a source of kind udp without listen"),
        ('kind = "post"', "sources.1.kind"),
    ],
)
def test_a_source_has_what_its_kind_needs_and_nothing_else(config: Path, written: str, said: str) -> None:
    source = ("[fixed]", f"[[sources]]\n{written}\n[fixed]")
    assert said in refusal(changed(config, source, over_mqtt()))


def test_a_password_has_no_place_in_a_description(config: Path) -> None:
    said = refusal(changed(config, over_mqtt(broker=f'{BROKER}password = "hob-nail-7"\n')))
    assert "broker.password: found an unknown key" in said
    assert "hob-nail-7" not in said
