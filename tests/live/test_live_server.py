"""The server of a live session under attack: nothing falls over, and nothing is let in."""

from __future__ import annotations

import contextlib
import json
import re
import resource
import socket

import pytest
from live_lab import WREN
from site_lab import Bench, Watcher, frame

from linkloss.live import server as serve
from linkloss.live import server as server_module
from linkloss.live.page import files
from linkloss.live.server import (
    MOST_CONNECTIONS,
    MOST_STRANGERS,
    MOST_UNSEEN,
    MOST_WATCHERS,
    Strangers,
)
from linkloss.live.view import offers

ConnectionClosed = pytest.importorskip("websockets.exceptions").ConnectionClosed
InvalidStatus = pytest.importorskip("websockets.exceptions").InvalidStatus


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(serve, "HEADER_TIMEOUT_S", 0.5)
        with Bench(tmp_path_factory.mktemp("saved")) as found:
            yield found


@pytest.fixture(autouse=True)
def works_before_and_after(bench):
    """Whatever a test does, somebody who is let in gets states afterwards, and the session has
    seen nothing that it was not told to do by somebody who was.
    """
    yield
    with bench.client() as client:
        watcher = Watcher(client)
        first = watcher.next("state")
        assert watcher.next("state", lambda state: state["at"] > first["at"])
        assert first["failed"] == ""


def untouched(bench) -> bool:
    recording = bench.live.session.recording
    return not recording.actions and not recording.faults


def test_the_page_and_its_files_are_there_for_whoever_knows_the_token(bench):
    status, headers, body = bench.get()
    assert status == 200
    assert b"Wren" in body
    assert "script-src 'self'" in headers["content-security-policy"]
    assert f"ws://127.0.0.1:{bench.site.port}" in headers["content-security-policy"]
    for name in ("base.css", "live.css", "live.js", "bus.js"):
        assert bench.get(name)[0] == 200
        assert name.encode() in body


@pytest.mark.parametrize(
    "header", ["content-security-policy", "x-frame-options", "referrer-policy"]
)
def test_every_answer_carries_what_keeps_other_pages_out(bench, header):
    assert header in bench.get()[1]
    assert bench.get()[1]["cache-control"] == "no-store"
    if header != "content-security-policy":
        assert header in bench.get(token="wrong")[1]


def test_the_page_has_no_script_and_no_style_within_itself():
    _, page = files(WREN, offers(WREN))[""]
    assert re.findall(r"<script(?![^>]*\bsrc=)", page) == []
    assert re.findall(r"<style|\sstyle=|\son\w+=|javascript:", page) == []
    assert re.findall(r"https?://", page) == []


def test_a_wrong_token_is_refused(bench):
    for token in ("", "x", bench.site.gate.token[:-1], bench.site.gate.token + "x"):
        assert bench.get(token=token)[0] == 403
        with pytest.raises(InvalidStatus) as caught, bench.client(token=token or "-"):
            pass
        assert caught.value.response.status_code == 403


def test_a_foreign_origin_is_refused(bench):
    for origin in ("http://evil.example", "null", f"http://localhost:{bench.site.port}"):
        assert bench.get(origin=origin)[0] == 403
        with pytest.raises(InvalidStatus) as caught, bench.client(origin=origin):
            pass
        assert caught.value.response.status_code == 403
    with pytest.raises(InvalidStatus), bench.client(origin=""):
        pass


def test_a_foreign_host_is_refused(bench):
    for host in ("evil.example", f"evil.example:{bench.site.port}", "127.0.0.1:1"):
        assert bench.get(host=host)[0] == 421


@pytest.mark.parametrize("path", ["../../etc/passwd", "..%2f..%2fetc/passwd", "live.html", "x/y"])
def test_there_is_nothing_but_the_page(bench, path):
    assert bench.get(path)[0] == 404


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_nothing_can_be_changed_by_a_plain_request(bench, method):
    assert bench.get(method=method, content_length="0")[0] in (404, 405)
    assert untouched(bench)


@pytest.mark.parametrize(
    "request_bytes",
    [
        b"\x00" * 100,
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 200,
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET " + b"/" * 100_000 + b" HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nhost: a\r\n" + b"x: y\r\n" * 20_000 + b"\r\n",
        b"POST / HTTP/1.1\r\nhost: a\r\ntransfer-encoding: chunked\r\n\r\nZZZ\r\n",
    ],
)
def test_no_http_at_all_gets_no_answer_that_is_good(bench, request_bytes):
    status, _, body = bench.raw(request_bytes)
    assert status in (0, 400, 403, 421, 431)
    assert b"Wren" not in body


def test_malformed_messages_are_refused_and_the_connection_lives(bench):
    with bench.client() as client:
        watcher = Watcher(client)
        bad = ["", "{", "[]", '{"do":"explode"}', '{"do":"apply","fault":99999}']
        bad += ['{"do":"set","input":"\\ud800","value":1}', '{"do":"save","name":"../../x"}']
        for text in bad:
            client.send(text)
            assert watcher.next("refused")
        assert watcher.next("state")
    assert untouched(bench)


def test_an_oversized_message_ends_its_connection(bench):
    with bench.client() as client:
        client.send("x" * 5000)
        with pytest.raises(ConnectionClosed) as caught:
            Watcher(client).next("never")
        assert caught.value.rcvd.code == 1009
    assert untouched(bench)


def test_a_binary_message_ends_its_connection(bench):
    with bench.client() as client:
        client.send(b"\xff\xfe")
        with pytest.raises(ConnectionClosed) as caught:
            Watcher(client).next("never")
        assert caught.value.rcvd.code == 1003


def test_broken_framing_ends_its_connection(bench):
    for garbage in (b"\xff" * 64, b"\x81\xfe\xff\xff" + b"\x00" * 70_000, frame("x")[:3]):
        with bench.bare_websocket() as made:
            with contextlib.suppress(OSError):
                made.sendall(garbage)
                made.shutdown(socket.SHUT_WR)
            while True:
                try:
                    if not made.recv(65536):
                        break
                except TimeoutError:
                    raise AssertionError("the connection is still there") from None
                except OSError:
                    break


def test_too_many_messages_end_their_connection(bench):
    with bench.client() as client:
        with contextlib.suppress(ConnectionClosed):
            for _ in range(2000):
                client.send('{"do":"seen","state":0}')
        with pytest.raises(ConnectionClosed) as caught:
            Watcher(client).next("never")
        assert caught.value.rcvd.code == 1008


def test_a_connection_that_asks_for_nothing_is_closed(bench):
    with bench.socket() as idle, bench.socket() as slow:
        slow.sendall(b"GET / HTTP/1.1\r\nhost: ")
        for waiting in (idle, slow):
            with contextlib.suppress(ConnectionResetError):
                assert waiting.recv(1) == b""


def test_more_watchers_than_there_is_room_for_are_turned_away(bench):
    with contextlib.ExitStack() as stack:
        for _ in range(MOST_WATCHERS):
            stack.enter_context(bench.client())
        with pytest.raises(InvalidStatus), bench.client():
            pass


def test_a_thousand_connections_leave_the_one_who_watches_alone(bench):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard < 3000 and hard != resource.RLIM_INFINITY:
        pytest.skip(f"needs 3,000 open files, the system allows {hard}")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 3000), hard))
    made = []
    try:
        with bench.client() as client:
            watcher = Watcher(client)
            before = watcher.next("state")["at"]
            for _ in range(1000):
                with contextlib.suppress(OSError):
                    made.append(bench.socket())
            most = len(bench.site._server.server_state.connections)
            assert watcher.next("state", lambda state: state["at"] > before + 100_000)
            assert most <= MOST_CONNECTIONS + 2 * serve._BACKLOG
    finally:
        for one in made:
            one.close()
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_those_without_the_token_cannot_take_all_places(bench):
    """More of them than there is room for stay connected and ask for nothing, or for too much."""
    with contextlib.ExitStack() as stack:
        for place in range(MOST_CONNECTIONS + 50):
            idle = stack.enter_context(bench.socket())
            if place % 2:
                with contextlib.suppress(OSError):
                    idle.sendall(b"GET / HTTP/1.1\r\nhost: ")
        assert bench.get()[0] == 200
        with bench.client() as client:
            assert Watcher(client).next("state")
        assert len(bench.site._server.server_state.connections) < MOST_CONNECTIONS


class Transport:
    """A connection that can be cut."""

    there = True

    def abort(self):
        self.there = False


def test_the_computer_with_most_strangers_loses_its_oldest():
    strangers, made = Strangers(), {}
    for number in range(MOST_STRANGERS):
        host = "flood" if number else "quiet"
        made[number] = Transport()
        strangers.add((host, number), made[number])
    strangers.drop(("flood", 5))
    for number in range(MOST_STRANGERS, MOST_STRANGERS + 4):
        made[number] = Transport()
        strangers.add(("flood", number), made[number])
    gone = [number for number, one in made.items() if not one.there]
    assert gone == [1, 2, 3]


def test_one_who_never_says_that_it_has_seen_gets_only_a_few_states(bench):
    with bench.client() as silent, bench.client() as client:
        watcher = Watcher(client)
        start = watcher.next("state")["at"]
        watcher.next("state", lambda state: state["at"] > start + 500_000)
        states = 0
        with contextlib.suppress(TimeoutError):
            while True:
                states += "state" in json.loads(silent.recv(timeout=0.05))
        assert states == MOST_UNSEEN


def test_one_who_takes_nothing_is_dropped_and_the_others_notice_nothing(bench, monkeypatch):
    """It says that it has seen every state, and reads none of them."""
    monkeypatch.setattr(server_module, "SEND_TIMEOUT_S", 0.3)
    monkeypatch.setattr(serve, "CLOSE_TIMEOUT_S", 0.2)
    bench.site.socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    connections = bench.site._server.server_state.connections
    with bench.client() as client:
        watcher = Watcher(client)
        alone, sitting = len(connections), watcher.next("state")["session"]
        with bench.bare_websocket(receive_buffer=2048) as stuck:
            assert len(bench.site.broadcaster.clients) == 2

            def still_there(_state):
                with contextlib.suppress(OSError):
                    stuck.sendall(frame('{"do":"seen","state":0}'))
                return len(connections) == alone

            assert watcher.next("state", still_there)["session"] == sitting
            assert len(bench.site.broadcaster.clients) == 1
