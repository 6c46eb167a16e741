"""Who is let in, request by request, and what may be asked for."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkloss.live.server import Bucket, Gate
from linkloss.live.service import LONGEST, CommandError, Plain, Set, parse

TOKEN = "tokentokentokentokentoken"
HERE = Gate(8080, TOKEN)
OPEN = Gate(8080, TOKEN, exposed=True, names=frozenset({"garage"}))
PATH = f"/{TOKEN}/bus"


def answer(gate=HERE, path=PATH, websocket=True, host="127.0.0.1:8080", origin=None, **more):
    headers = [(b"Host", host.encode())] if host is not None else []
    origin = f"http://{host}" if origin is None else origin
    headers += [(b"origin", origin.encode())] if origin else []
    headers += [(name.replace("_", "-").encode(), text.encode()) for name, text in more.items()]
    found = gate.refusal(path, headers, websocket=websocket)
    return None if found is None else found.status


@pytest.mark.parametrize(
    "host", ["127.0.0.1:8080", "localhost:8080", "[::1]:8080", "127.0.0.2:8080"]
)
def test_this_computer_is_let_in(host):
    assert answer(host=host) is None


@pytest.mark.parametrize(
    "host",
    [
        "evil.example:8080",
        "127.0.0.1",
        "127.0.0.1:8081",
        "127.0.0.1.evil.example:8080",
        "localhost.evil.example:8080",
        "192.168.1.5:8080",
        "garage:8080",
        "evil.example@127.0.0.1:8080",
        "127.0.0.1:8080/evil.example",
        "127.0.0.1:8080#",
        "[::1:8080",
        "127.0.0.1:99999999",
        "127.0.0.1:-1",
        "0x7f.1:8080",
        "",
        ":8080",
        "\u00e9:8080",
    ],
)
def test_a_host_that_is_not_this_computer_is_refused(host):
    assert answer(host=host) == 421


def test_no_host_or_two_of_them_are_refused():
    assert HERE.refusal(PATH, [], websocket=False).status == 421
    both = [(b"host", b"127.0.0.1:8080"), (b"host", b"evil.example")]
    assert HERE.refusal(PATH, both, websocket=False).status == 421


@pytest.mark.parametrize(
    "origin",
    [
        "http://evil.example",
        "https://127.0.0.1:8080",
        "http://127.0.0.1:8081",
        "http://localhost:8080",
        "null",
        "http://127.0.0.1:8080.evil.example",
        "file://",
    ],
)
@pytest.mark.parametrize("websocket", [True, False])
def test_a_foreign_origin_is_refused_whatever_it_asks_for(origin, websocket):
    assert answer(origin=origin, websocket=websocket) == 403


def test_a_websocket_without_an_origin_is_refused_a_page_is_not():
    headers = [(b"host", b"127.0.0.1:8080")]
    assert HERE.refusal(PATH, headers, websocket=True).status == 403
    assert HERE.refusal(PATH, headers, websocket=False) is None


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "",
        "/bus",
        f"/{TOKEN}",
        f"/{TOKEN[:-1]}/",
        f"/{TOKEN}x/",
        f"/{TOKEN.upper()}/",
        f"//{TOKEN}/",
        f"/x/{TOKEN}/",
        f"/{TOKEN}\x00/",
        "/\u00fc/bus",
    ],
)
def test_a_path_without_the_token_is_refused(path):
    assert answer(path=path) == 403


def test_what_another_page_embeds_is_refused_but_a_link_may_be_followed():
    assert answer(sec_fetch_site="cross-site", websocket=False) == 403
    assert answer(sec_fetch_site="same-site", websocket=False) == 403
    followed = {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"}
    assert answer(websocket=False, **followed) is None
    assert answer(websocket=False, sec_fetch_site="none") is None


@pytest.mark.parametrize("host", ["192.168.1.5:8080", "[fe80::1]:8080", "garage:8080"])
def test_exposed_it_answers_to_addresses_and_its_own_name(host):
    assert answer(OPEN, host=host) is None
    assert answer(OPEN, host=host, path="/wrong/") == 403


def test_exposed_it_still_answers_to_no_other_name():
    assert answer(OPEN, host="evil.example:8080") == 421


def test_what_is_inside_is_the_path_below_the_token():
    assert HERE.inside(f"/{TOKEN}/") == "/"
    assert HERE.inside(f"/{TOKEN}/a/../b") == "/a/../b"


def test_tokens_are_long_and_never_the_same():
    made = {Gate(1).token for _ in range(100)}
    assert len(made) == 100
    assert min(map(len, made)) >= 24


def test_a_good_command_is_understood():
    assert parse('{"do":"pause"}') == Plain(do="pause")
    assert parse('{"do":"set","input":"lights","value":"off"}') == Set(
        do="set", input="lights", value="off"
    )


BAD = [
    "",
    "null",
    "[]",
    "{}",
    "{",
    '{"do":"explode"}',
    '{"do":["set"]}',
    '{"do":"pause","more":1}',
    '{"do":"set","input":"lights"}',
    '{"do":"set","input":"lights","value":true}',
    '{"do":"set","input":"lights","value":null}',
    '{"do":"set","input":"lights","value":{"a":1}}',
    '{"do":"set","input":7,"value":1}',
    '{"do":"set","input":"speed","value":NaN}',
    '{"do":"set","input":"speed","value":-Infinity}',
    '{"do":"apply","fault":-1}',
    '{"do":"apply","fault":1.5}',
    '{"do":"apply","fault":"1"}',
    '{"do":"speed","value":1000}',
    '{"do":"speed","value":1e999}',
    '{"do":"step","to":"end"}',
    '{"do":"save","name":7}',
    '{"do":"save","name":"' + "x" * 61 + '"}',
    '{"do":"apply","fault":' + "9" * 4000 + "}",
    "[" * 4000,
    '{"do":' * 600,
    "x" * (LONGEST + 1),
]


@pytest.mark.parametrize("text", BAD, ids=range(len(BAD)))
def test_anything_else_is_refused_in_a_sentence(text):
    with pytest.raises(CommandError) as caught:
        parse(text)
    assert 0 < len(str(caught.value)) < 500


VALUES = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)


@settings(max_examples=50)
@given(st.text(max_size=60) | VALUES.map(json.dumps))
def test_no_text_at_all_brings_the_reader_down(text):
    with pytest.raises(CommandError):
        parse(text)


def test_a_bucket_lets_a_rush_through_and_then_its_rate():
    now_s = [0.0]
    bucket = Bucket(rate=10, size=5, now_s=lambda: now_s[0])
    assert [bucket.take() for _ in range(6)] == [True] * 5 + [False]
    now_s[0] += 0.1
    assert [bucket.take(), bucket.take()] == [True, False]
    now_s[0] += 100
    assert sum(bucket.take() for _ in range(20)) == 5
