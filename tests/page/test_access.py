"""Who may do what with the page: addresses, Host, Origin, tokens, rates, and what a message may hold."""

from __future__ import annotations

import json

import pytest

from bridge.errors import DescriptionError
from bridge.page.access import (
    BURST,
    MOST_BYTES,
    PER_S,
    Access,
    AccessError,
    Address,
    Rate,
    TooMuchError,
    parse_address,
)
from bridge.page.invitation import invitation
from bridge.page.messages import Jog, MessageError, parse


@pytest.mark.parametrize("text", ["127.0.0.1:58280", "[::1]:0", "localhost:8000", "0.0.0.0:65535"])
def test_an_address_is_host_and_port(text: str) -> None:
    assert parse_address(text, "--page").url == f"http://{text}/"


@pytest.mark.parametrize(
    "text", ["", "58280", "127.0.0.1", "127.0.0.1:99999", "panel.toml", "a b:1", "::1:80"]
)
def test_what_is_no_address_is_refused_with_the_way_to_write_it(text: str) -> None:
    with pytest.raises(DescriptionError, match=r"--page=127\.0\.0\.1:58280"):
        parse_address(text, "--page")


@pytest.mark.parametrize(
    ("bound", "host", "origin"),
    [
        ("127.0.0.1", "127.0.0.1:58280", None),
        ("127.0.0.1", "localhost:58280", "http://localhost:58280"),
        ("127.0.0.1", "[::1]:58280", "http://[::1]:58280"),
        ("0.0.0.0", "192.0.2.7:58280", "http://192.0.2.7:58280"),
        ("192.0.2.7", "192.0.2.7:58280", "https://192.0.2.7:58280"),
    ],
)
def test_the_pages_own_addresses_are_taken(bound: str, host: str, origin: str | None) -> None:
    Access(bound).check(host, origin)


@pytest.mark.parametrize(
    ("bound", "host", "origin", "words"),
    [
        ("127.0.0.1", "rebound.example:58280", None, "not known as"),
        ("127.0.0.1", "192.0.2.7:58280", None, "not known as"),
        ("127.0.0.1", None, None, "not known as"),
        ("127.0.0.1", "[::1", None, "not known as"),
        ("0.0.0.0", "rebound.example:58280", None, "not known as"),
        ("127.0.0.1", "127.0.0.1:58280", "http://other.example", "Another page"),
        ("127.0.0.1", "127.0.0.1:58280", "http://127.0.0.1:8000", "Another page"),
        ("127.0.0.1", "127.0.0.1:58280", "null", "Another page"),
    ],
)
def test_foreign_names_and_pages_are_refused(
    bound: str, host: str | None, origin: str | None, words: str
) -> None:
    with pytest.raises(AccessError, match=words):
        Access(bound).check(host, origin)


def test_a_token_is_needed_only_elsewhere_and_is_another_one_at_each_start() -> None:
    assert Access("127.0.0.1").token is None
    access = Access("0.0.0.0")
    assert access.token is not None
    assert len(access.token) >= 20
    assert access.is_token(access.token)
    assert not access.is_token(access.token[:-1])
    assert not access.is_token("é")
    assert Access("0.0.0.0").token != access.token


def test_the_link_with_the_token_keeps_it_out_of_every_request() -> None:
    """RFC 3986, 3.5: the fragment is not part of what is asked of a server."""
    printed = invitation(Address("192.0.2.7", 58280), "secret")
    assert "http://192.0.2.7:58280/#token=secret" in printed
    assert "█" in printed
    assert invitation(Address("127.0.0.1", 58280), None) == "page: http://127.0.0.1:58280/"


def test_a_flood_is_refused_and_a_key_held_down_is_not() -> None:
    now_s = 0.0
    rate = Rate(lambda: now_s)
    for _ in range(int(BURST)):
        rate.take()
    with pytest.raises(TooMuchError, match=f"{PER_S:g} messages a second"):
        rate.take()
    for press in range(3000):
        now_s = 100.0 + press / 30.0
        rate.take()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no JSON object"),
        ("[1]", "no JSON object"),
        ("[" * 4000, "no JSON object"),
        ('{"do":"stop"}', "whole number as id"),
        ('{"id":true,"do":"stop"}', "whole number as id"),
        ('{"id":1}', "expected a command"),
        ('{"id":1,"do":"jogg"}', "Did you mean jog"),
        ('{"id":1,"do":"stop","hard":true}', "hard: found an unknown key"),
        ('{"id":1,"do":"jog","gauge":"a","by":1e999,"unit":"step"}', "by"),
        ('{"id":1,"do":"jog","gauge":"a","by":NaN,"unit":"step"}', "by"),
        ('{"id":1,"do":"jog","gauge":"a","by":true,"unit":"step"}', "by"),
        ('{"id":1,"do":"jog","gauge":"a","by":1,"unit":"mile"}', "'step', 'deg' or 'reading'"),
        ('{"id":1,"do":"turn","gauge":"a","way":2}', "way"),
        ('{"id":1,"do":"read","value":NaN}', "value"),
        ('{"id":1,"do":"read","value":1e999}', "value"),
        ('{"id":1,"do":"speed","factor":0}', "greater than or equal to 0.1"),
        ('{"id":1,"do":"enter","name":"%s"}' % ("x" * 30), "at most 24 characters"),
    ],
)
def test_what_can_not_be_used_is_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(MessageError, match=words):
        parse(text)


def test_a_message_too_long_is_too_much() -> None:
    with pytest.raises(TooMuchError, match="4,096 at most"):
        parse("x" * (MOST_BYTES + 1))


def test_a_command_is_read() -> None:
    text = json.dumps({"id": 7, "do": "jog", "gauge": "airspeed", "by": 10, "unit": "step"})
    assert parse(text) == Jog(id=7, gauge="airspeed", by=10.0, unit="step")
